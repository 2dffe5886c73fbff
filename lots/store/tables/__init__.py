"""The tables, with their constraints. The rules of the trade are in the domain."""
