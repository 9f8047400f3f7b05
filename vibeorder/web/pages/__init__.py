"""Pages, each a module with ROUTES."""
