"""Documents: the lot record, the nonconformity report, pictures, the history."""
