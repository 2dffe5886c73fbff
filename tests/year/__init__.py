"""Benefit of the program: a simulated year of a shop through the HTTP API, compared with shops without a program.

`python -m tests.year` prints the tables, and writes them into README.md with the picture. Every assumed number is in
`assumptions.py`. A simulation of assumptions is no evidence about a real shop, and a released lot never means a safe part.
"""
