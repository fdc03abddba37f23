"""The referee: rechecks a finished plan from the input tables with arithmetic of its own.

It shares the reading of tables and the climate's stored numbers with the planner, and nothing else.
"""

from planner.referee.audit import Tally, Verdict, audit_plan, audit_site, begin_tally
from planner.referee.check import Check
from planner.referee.files import overrides, read_manifest

__all__ = [
    "Check", "Tally", "Verdict", "audit_plan", "audit_site", "begin_tally", "overrides", "read_manifest",
]
