"""How uncertain a value is: budgets, lengths, and means of spools and lots."""
