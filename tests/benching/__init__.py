"""Parts of `python -m tests.bench`: the sites to be measured, the load, the servers and the measures."""
