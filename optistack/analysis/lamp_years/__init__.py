"""Lamp hours and site years: by energy, by photons, by absorbed photons, by each weight.

No single number comes out. How many hours of a lamp equal a year outdoors depends on what is
counted, and it is not the same for a coupon and for a device: the table shows how far the answers
lie apart. `compare_lamps` does the same for two lamps, or two laboratories, that both report the
same nominal dose.
"""

from optistack.analysis.lamp_years.common import SPECIMENS, Specimen
from optistack.analysis.lamp_years.pair import LABS, LampPair, LampPairRow, compare_lamps
from optistack.analysis.lamp_years.years import LampYearRow, LampYears, lamp_years

__all__ = [
    "LABS",
    "SPECIMENS",
    "LampPair",
    "LampPairRow",
    "LampYearRow",
    "LampYears",
    "Specimen",
    "compare_lamps",
    "lamp_years",
]
