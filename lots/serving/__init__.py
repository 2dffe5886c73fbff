"""The HTTP server: waitress with deadlines, limits of connections and strict framing, independent of the application."""
