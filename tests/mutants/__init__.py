"""Small changes to terms that carry safety, as data, and a command that shows that the tests notice each.

`python -m tests.mutants` runs them; an entry is described in `listing`, the lists are the `*.toml` files beside it.
"""
