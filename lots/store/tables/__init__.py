"""The tables. Rules live in the domain; a table holds only the constraints that a row must never break."""
