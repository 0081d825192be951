"""Finding: what the measurements mean for the take.

judgement.py asks every family of checks in registry.py; each is a module with `findings_of(evidence)`.
A new family is one module and one line there; its numbers go into thresholds.py.
"""

from kitproof.find.judgement import Judgement, judge
from kitproof.find.thresholds import Threshold, Thresholds

__all__ = ["Judgement", "Threshold", "Thresholds", "judge"]
