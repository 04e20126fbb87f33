"""What cracks: `study` begins; looks become intervals, intervals a hazard, draws every risk."""

from woodlab.studies.cracks.study import CrackStudy, crack_study

__all__ = ["CrackStudy", "crack_study"]
