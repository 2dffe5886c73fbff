"""The error rates that the program promises, each simulated from outside: `python -m tests.promises` prints them as a table.

Each module beside this one holds the promises of one subject as `PROMISES`. The slow tests hold every one of them.
"""
