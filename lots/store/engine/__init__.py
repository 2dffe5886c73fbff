"""The database layer: connections, transactions, write lock, prepared queries, keyset pages and column types."""
