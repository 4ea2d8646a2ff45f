"""The catalogue's queries and writes. A function takes a session; its caller commits."""
