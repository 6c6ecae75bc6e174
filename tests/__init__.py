"""Made a package only so that `python -m tests.…` finds these tests and not another distribution's of that name."""
