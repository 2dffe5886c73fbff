"""Use cases, one function each.

A function loads rows, calls the domain and stores the outcome in a transaction of its own.
"""
