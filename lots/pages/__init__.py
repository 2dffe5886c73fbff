"""Pages for a browser, one folder or file per subject. They are a client of the API, know only its answers, and need no script."""
