"""From readings to series: which frames were meant together, and what they are worth together."""

from audit.series.found import FoundSeries, series_record
from audit.series.group import find_series
from audit.series.shot import Shot

__all__ = ["FoundSeries", "Shot", "find_series", "series_record"]
