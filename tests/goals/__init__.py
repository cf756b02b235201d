"""One test from outside, through HTTP or in a browser, for each row of the goals that name it by its number."""
