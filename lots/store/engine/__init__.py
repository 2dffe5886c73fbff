"""The database itself: connection, write lock, compiled queries, pages, column types."""
