"""Documents: lot record, nonconformity report, letters, charts, history and webhooks."""
