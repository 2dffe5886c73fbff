"""Pages for a browser, one folder or file per subject. They are a client of the API and work without script. They also know who is signed in."""
