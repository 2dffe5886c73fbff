"""The characteristics of a lot, each declared once in one file or folder. `declaring/declaration.py` defines a declaration, `registry.py` lists all."""
