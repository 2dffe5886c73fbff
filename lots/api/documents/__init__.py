"""Paths of documents: lot record, nonconformity report, pictures, history."""
