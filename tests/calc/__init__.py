"""Tests of the calculations, each against a published or independently computed figure."""
