"""What declarations are made of: their shape, the case they are judged in, and the judgements that several share."""
