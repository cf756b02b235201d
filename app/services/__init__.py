"""Use cases: jobs, people, planning, export, rehearsal.  Each is one straight line from command to answer."""
