"""Tests of app.paper: the printed record, its fonts and its signature."""
