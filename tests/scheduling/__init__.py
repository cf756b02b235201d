"""Schedules of tablets and a server in virtual time: what they may do, what must hold, what must be noticed."""
