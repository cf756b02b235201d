"""Routes, forms, views and templates: thin, one call each into the services."""
