"""The database itself: connection, write lock, group commit, compiled queries, pages, column types."""
