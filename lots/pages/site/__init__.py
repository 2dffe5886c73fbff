"""What all pages share: the client of the API, sessions, the frame, words."""
