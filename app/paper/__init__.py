"""The record on paper: a PDF that prints it, carries it and is signed.

Nothing heavy is imported here; pyhanko and fontTools load at their first use, and typst in a process of its own.
"""
