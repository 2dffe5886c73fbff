"""The characteristics of a lot, each declared in one file or folder. `declaring/declaration.py` defines a declaration, `registry.py` lists all."""
