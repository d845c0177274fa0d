"""Heating and its limits: curves, networks, what may be held, and for how long.

=================  ====================================================================================
``heating``        curves of one and two time constants, winding by resistance, rating of one heat run
``networks``       Foster and Cauer forms, conversion both ways, exact steps
``lags``           the one first-order lag that all of it is made of
``memory``         what residuals remember
``runs``           runs as thermal fits see them
``projection``     the search for time constants
``fit``            networks of one to four nodes fitted to measured losses, coolant and temperature
``orders``         how many nodes: by held-out prediction; bootstrap; thermal resistance against coolant flow
``averaging``      the end of a held load, averaged over networks of one to three nodes
``extrapolate``    steady temperature of a heat run before it is reached, and when to stop waiting
``loss_law``       loss of a part by current, speed and its own temperature
``ratings``        continuous ratings by coolant and speed, limiting part, thermal classes, overload formula
``short_time``     time to a limit from any start, loads for a time and in turns, recovery
``switch_off``     readings taken after switch-off, brought back to it
``live``           a fitted model that runs beside the measurement
=================  ====================================================================================
"""

from benchkit.analysis.thermal.heating import (
    COPPER_IEC,
    COPPER_IEEE,
    TESTED_LOSS,
    continuous_rating,
    coolant_heat_w,
    first_order,
    fit_heating,
    rise_time_10_90,
    winding_by_resistance,
)

__all__ = [
    "COPPER_IEC",
    "COPPER_IEEE",
    "TESTED_LOSS",
    "continuous_rating",
    "coolant_heat_w",
    "first_order",
    "fit_heating",
    "rise_time_10_90",
    "winding_by_resistance",
]
