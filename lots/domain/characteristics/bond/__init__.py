"""Bond between layers: its declaration and its judgement."""
