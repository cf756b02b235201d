"""The numbers of the job: pure calculations, each with unit, range and source.

Nothing here reads a clock, a file or an environment, and nothing here knows of jobs, people or pages.
"""
