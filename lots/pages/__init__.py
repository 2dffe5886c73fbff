"""Pages for a browser, one folder or file per subject. They are a client of the API and need no script. Beside its answers they know who is signed in."""
