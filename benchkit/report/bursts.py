"""Bursts out of a run, digested for the report: metrics of each, and waveforms and spectra thinned for drawing."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from benchkit.model.bursts import Burst, BurstRole
from benchkit.model.stand import Stand
from benchkit.report.model import BurstDigest, ChannelTrace, DrawnSpectrum
from benchkit.report.traces import thinned

FloatArray = npt.NDArray[np.float64]

DRAWN = 3
"""Bursts of a run that are drawn: a page is not a file. The tables have them all, up to ``MEASURED``."""
MEASURED = 40
"""Bursts of a run whose metrics are computed for a report."""
PERIODS = 4.0
"""Switching periods that are drawn closely."""
SWITCHED = (BurstRole.LEG_VOLTAGE, BurstRole.GATE_UPPER, BurstRole.GATE_LOWER)
LINES_A_DECADE = 160
"""Points of a drawn spectrum in each decade of frequency; of the lines between two of them the highest is drawn."""
FLOOR = 1e-6
"""Lines below this share of the highest are not drawn."""


def digest_bursts(
    bursts: Iterable[Burst], stand: Stand, progress: Callable[[int], None] | None = None
) -> tuple[BurstDigest, ...]:
    """Digest every burst, one in memory at a time. ``progress`` is called with the number done."""
    from benchkit.analysis.signals.burst_metrics import burst_metrics

    digests: list[BurstDigest] = []
    for burst in bursts:
        record, done = burst.record, len(digests)
        source = stand.bursts.get(burst.source)
        u_rate = source.u_rate if source is not None else 0.0
        is_measured = done < MEASURED
        metrics = burst_metrics(burst, pole_pairs=stand.motor.pole_pairs, u_rate=u_rate) if is_measured else ()
        digests.append(
            BurstDigest(
                source=burst.source,
                number=burst.number,
                reason=record.reason,
                trigger_time_s=burst.trigger_time_s,
                u_trigger_s=record.u_trigger_ns * 1e-9,
                rows=len(burst),
                missing=record.missing,
                sample_rate_hz=record.sample_rate_hz,
                metrics=metrics,
                is_measured=is_measured,
                waves=tuple(_waves(burst)) if done < DRAWN else (),
                close=tuple(_close(burst, stand.inverter.switching_frequency_hz)) if done < DRAWN else (),
                spectra=tuple(_spectra(burst)) if done < DRAWN else (),
            )
        )
        if progress is not None:
            progress(len(digests))
    return tuple(digests)


def _waves(burst: Burst) -> Iterable[ChannelTrace]:
    time_s = burst.time_s
    for i, channel in enumerate(burst.channels):
        if channel.role in SWITCHED:
            continue  # at the width of a page they are a bar
        times, values = thinned(time_s, burst.values(i))
        yield ChannelTrace(channel.name, channel.label, channel.unit, times, values)


def _close(burst: Burst, switching_hz: float) -> Iterable[ChannelTrace]:
    shown = [i for i, channel in enumerate(burst.channels) if channel.role in SWITCHED]
    legs = {burst.channels[i].leg for i in shown}
    shown = [*(i for i in burst.indices(BurstRole.PHASE_CURRENT) if burst.channels[i].leg in legs), *shown]
    time_s = burst.time_s
    inside = (time_s >= 0.0) & (time_s < PERIODS / switching_hz)
    if not legs or np.count_nonzero(inside) < 16:
        return
    for i in shown:
        channel = burst.channels[i]
        times, values = thinned(time_s[inside], burst.values(i)[inside])
        yield ChannelTrace(channel.name, channel.label, channel.unit, times, values)


def _spectra(burst: Burst) -> Iterable[DrawnSpectrum]:
    from benchkit.analysis.signals.spectrum import Window, leakage, spectrum

    start, stop = burst.whole()
    shown = [
        *burst.indices(BurstRole.PHASE_CURRENT)[:1],
        *burst.indices(BurstRole.DC_VOLTAGE)[:1],
        *burst.indices(BurstRole.TORQUE)[:1],
    ]
    for i in shown:
        values = burst.values(i)[start:stop]
        if len(values) < 64:
            continue
        # the mean would leak over the lowest lines; its power is added to the RMS again
        mean = float(values.mean())
        found = spectrum(values - mean, burst.record.sample_rate_hz, Window.HANN)
        frequency, amplitude = _highest(found.frequency_hz[1:], found.amplitude[1:])
        channel = burst.channels[i]
        yield DrawnSpectrum(
            channel=channel.name,
            label=channel.label,
            unit=channel.unit,
            frequency_hz=frequency,
            amplitude=amplitude,
            rms=float(np.hypot(found.rms, mean)),
            window=found.window.value,
            coherent_gain=found.coherent_gain,
            noise_bandwidth_hz=found.noise_bandwidth_bins * found.resolution_hz,
            scale=found.scale,
            leakage=leakage(Window.HANN, 1024),
        )


def _highest(frequency_hz: FloatArray, amplitude: FloatArray) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The highest line of each stretch of a logarithmic axis, at its own frequency."""
    place = np.floor(LINES_A_DECADE * np.log10(frequency_hz / frequency_hz[0])).astype(np.int64)
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    stops = np.append(starts[1:], len(place))
    best = [int(a + np.argmax(amplitude[a:b])) for a, b in zip(starts, stops, strict=True)]
    floor = FLOOR * float(amplitude.max())
    kept = [k for k in best if amplitude[k] > floor]
    return tuple(map(float, frequency_hz[kept])), tuple(map(float, amplitude[kept]))
