"""One function per user's verb; the public Python API."""
