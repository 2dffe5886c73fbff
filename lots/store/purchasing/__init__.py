"""Queries for purchasing."""
