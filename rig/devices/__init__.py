"""The three device roles and their real implementations."""
