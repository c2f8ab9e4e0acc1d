"""The command run in this process: ``ems`` of ``command``."""

from command import ems

__all__ = ["ems"]
