"""Property tests draw the same examples on every run, so that a red build is a changed project."""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
