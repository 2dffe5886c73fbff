"""Pages for the people at their desks: the API's first client. They know nothing that the API does not tell them, and need no script."""
