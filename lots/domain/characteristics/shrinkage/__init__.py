"""Shrinkage of printed coupons: its declaration and its judgement."""
