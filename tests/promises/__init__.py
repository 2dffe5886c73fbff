"""The promised error rates of the program, each simulated from outside: `python -m tests.promises` prints them as a table.

Each module here holds the promises of one subject as `PROMISES`. The slow tests verify every one.
"""
