"""Shrinkage of printed coupons."""
