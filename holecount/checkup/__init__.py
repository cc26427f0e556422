"""Is everything there that the program needs, and does it measure: what ``holecount doctor`` says."""

from holecount.checkup.findings import Finding, State, findings

__all__ = ["Finding", "State", "findings"]
