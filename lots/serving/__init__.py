"""The HTTP server under the application: waitress with deadlines, bounds and strict framing. It knows nothing of lots."""
