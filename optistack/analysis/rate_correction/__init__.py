"""From the coupon's rate to the device's, and what light does not explain."""

from optistack.analysis.rate_correction.correct import correct_rate, ratios_per_volume
from optistack.analysis.rate_correction.result import RateCorrection, WeightCase

__all__ = ["RateCorrection", "WeightCase", "correct_rate", "ratios_per_volume"]
