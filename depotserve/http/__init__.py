"""A request's way, from the bytes of its head to the line in the log."""

from .access_log import AccessLog
from .app import Depot
from .content import Tree, find_trees

__all__ = ["AccessLog", "Depot", "Tree", "find_trees"]
