"""What the program is worth: a simulated year of a shop, through the HTTP API, beside shops without a program.

`python -m tests.year` prints the tables, and writes them into README.md with the picture. Every number that is assumed stands in `assumptions.py`.
A simulation of assumptions is no evidence about a real shop, and a released lot never means a safe part.
"""
