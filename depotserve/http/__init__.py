"""A request's way, from the bytes of its head to the line in the log."""

from .access_log import AccessLog
from .app import Depot
from .bandwidth import Bandwidth
from .census import Census
from .content import Tree, find_trees

__all__ = ["AccessLog", "Bandwidth", "Census", "Depot", "Tree", "find_trees"]
