"""The local page: routes, the byte layout of an update, and the static files."""
