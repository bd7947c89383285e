"""The settings: one YAML file becomes one frozen `Settings`, or every mistake in it with its place.

May not touch sources, drives or the ledger. Only this room knows pydantic and YAML.
"""

from replicatord.config.changes import describe_changes
from replicatord.config.problem import Problem, SettingsProblems
from replicatord.config.read import parse_settings, read_settings
from replicatord.config.summary import summary_lines

__all__ = [
    "Problem",
    "SettingsProblems",
    "describe_changes",
    "parse_settings",
    "read_settings",
    "summary_lines",
]
