"""The parts of a declaration: its shape, the case in which it is judged, and judgements that several characteristics share."""
