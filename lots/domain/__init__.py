"""The rules for judging a lot: pure functions and frozen values (see README.md beside this file)."""
