"""Parts of `python -m tests.faults`: lives to be ended, their system calls read, and states after a power loss."""
