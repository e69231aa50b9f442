"""The noise stress test: known noise, at known ratios, on a clean annotated ECG.

Task
----
Find how a beat detector gets worse as noise grows, by adding noise of a stated
signal-to-noise ratio to records on which it does well.

Source
------
Moody, Muldrow & Mark 1984, Computers in Cardiology 11:381. The recipe is that of the
programs ``nst`` and ``sigamp`` of the WFDB software, which made the published Noise
Stress Test Database:

* signal: the peak-to-peak amplitude within 50 ms of a beat, over the first 300 beats that
  are neither ventricular nor fusion beats, mean without the highest and the lowest 5 %;
  its power is that of a sine, amplitude² / 8;
* noise: the RMS about the mean of one-second stretches, over the first 300, with the
  same trimming; its power is RMS²;
* the gain makes 10 · log10(signal power / noise power) the stated ratio in dB, per lead;
* 5 minutes without noise, then noise for 2 minutes of every 4. The noise runs on
  underneath, and offsets are adjusted so that switching leaves no step.

The paper itself was not at hand. The generated noises are ours: Gaussian noise of the
named band under a slowly varying envelope. Their bands are common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from palpate.signals import BoolArray, FloatArray
from palpate.validation import InputError, checked_choice, checked_columns, checked_rate

SNR_DB = (24.0, 18.0, 12.0, 6.0, 0.0, -6.0)
QUIET_S = 300.0
NOISY_S = 120.0
_QRS_HALF_S = 0.05
_MEASUREMENTS = 300
_TRIMMED_SHARE = 1 / 20


class _Band(NamedTuple):
    low_hz: float
    high_hz: float
    envelope_spread: float  # SD of the envelope's logarithm


# Electrode motion lies in the band of the QRS complex, which makes it the hard one.
GENERATED = {
    "baseline": _Band(0.05, 0.5, 0.3),
    "electrode": _Band(0.5, 12.0, 0.7),
    "muscle": _Band(20.0, 150.0, 0.5),
}
_ENVELOPE_HZ = 0.2


def qrs_amplitude(ecg: FloatArray, beat_s: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the peak-to-peak QRS amplitude per lead ``(k,)`` in the unit of ``ecg (n, k)``.

    ``beat_s`` are the times of the beats to measure; the first 300 that lie wholly
    inside are used.
    """
    half = int(np.floor(_QRS_HALF_S * fs_hz + 0.5))
    at = np.round(beat_s * fs_hz).astype(np.intp)
    at = at[(at >= half) & (at + half <= ecg.shape[0])][:_MEASUREMENTS]
    windows = ecg[at[:, np.newaxis] + np.arange(-half, half)]
    windows = windows[np.isfinite(windows).all(axis=(1, 2))]
    if windows.shape[0] == 0:
        raise InputError("no beat to measure the QRS amplitude at; a record needs annotated beats")
    return _trimmed_mean(np.ptp(windows, axis=1))


def noise_rms(noise: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the RMS about the mean per channel ``(k,)`` of ``noise (n, k)``."""
    width = round(fs_hz)
    count = min(noise.shape[0] // width, _MEASUREMENTS)
    if count == 0:
        raise InputError("the noise is shorter than one second; give a longer record")
    seconds = noise[: count * width].reshape(count, width, -1)
    return _trimmed_mean(seconds.std(axis=1))


def noise_gain(amplitude: FloatArray, rms: FloatArray, *, snr_db: float) -> FloatArray:
    """Return the factor per lead that puts noise at ``snr_db`` below the signal."""
    return np.asarray(amplitude / np.sqrt(8.0) / rms * 10.0 ** (-snr_db / 20.0))


def noisy_stretches(n_samples: int, *, fs_hz: float) -> BoolArray:
    """Return where noise is on, ``(n_samples,)``: 2 minutes of every 4, after 5 minutes."""
    elapsed_s = np.arange(n_samples) / fs_hz - QUIET_S
    return np.asarray((elapsed_s >= 0) & (np.floor(elapsed_s / NOISY_S) % 2 == 0))


def add_noise(
    ecg: FloatArray, noise: FloatArray, beat_s: FloatArray, *, fs_hz: float, snr_db: float
) -> FloatArray:
    """Return ``ecg`` with noise added by the recipe, same shape.

    Parameters
    ----------
    ecg
        ``(n,)`` or ``(n, k)``.
    noise
        ``(m,)`` or ``(m, c)`` at the same rate, any unit; repeated if shorter. Lead i
        gets noise channel i mod c.
    beat_s
        Times of the beats to measure the signal at.
    snr_db
        Ratio of signal to noise power, dB.

    Raises
    ------
    InputError
        If a lead has no signal, a channel no noise, or the noise is not finite.
    """
    leads, fs_hz = checked_columns(ecg, "ecg"), checked_rate(fs_hz)
    source = checked_columns(noise, "noise")
    if not np.isfinite(source).all():
        raise InputError("the noise has missing samples; choose a stretch without gaps")
    amplitude, rms = qrs_amplitude(leads, beat_s, fs_hz=fs_hz), noise_rms(source, fs_hz=fs_hz)
    if not (amplitude > 0).all() or not (rms > 0).all():
        raise InputError("a lead or a noise channel is flat; its level cannot be set in dB")
    index = np.arange(leads.shape[0]) % source.shape[0]
    on = noisy_stretches(leads.shape[0], fs_hz=fs_hz)
    result = leads.copy()
    for lead in range(leads.shape[1]):
        channel = lead % source.shape[1]
        steps = np.diff(source[:, channel], prepend=source[0, channel])[index]
        gain = noise_gain(amplitude[lead], rms[channel], snr_db=snr_db)
        result[:, lead] += gain * np.cumsum(np.where(on, steps, 0.0))
    return result.reshape(np.shape(ecg))


def generated_noise(
    kind: str, n_samples: int, *, fs_hz: float, channels: int = 2, seed: int = 0
) -> FloatArray:
    """Return noise ``(n_samples, channels)`` of RMS 1.

    ``kind`` is ``"baseline"`` (0.05 to 0.5 Hz), ``"electrode"`` (0.5 to 12 Hz) or
    ``"muscle"`` (20 to 150 Hz), each under an envelope that varies over seconds.
    """
    checked_choice(kind, GENERATED, "kind of noise")
    band, rng = GENERATED[kind], np.random.default_rng(seed)
    shape = (n_samples, channels)
    carrier = _band_noise(rng, shape, band.low_hz, band.high_hz, fs_hz)
    slow = _band_noise(rng, shape, 0.0, _ENVELOPE_HZ, fs_hz)
    noise = carrier * np.exp(band.envelope_spread * slow)
    return np.asarray(noise / np.sqrt(np.mean(noise**2, axis=0)))


def _band_noise(
    rng: np.random.Generator, shape: tuple[int, int], low_hz: float, high_hz: float, fs_hz: float
) -> FloatArray:
    """Shape white noise with second-order skirts; RMS 1."""
    frequency = np.fft.rfftfreq(shape[0], 1.0 / fs_hz)[:, np.newaxis]
    frequency[0] = np.inf  # no constant part
    weight = 1.0 / np.sqrt((1.0 + (low_hz / frequency) ** 4) * (1.0 + (frequency / high_hz) ** 4))
    spectrum = np.fft.rfft(rng.standard_normal(shape), axis=0) * weight
    noise = np.fft.irfft(spectrum, shape[0], axis=0)
    return np.asarray(noise / np.sqrt(np.mean(noise**2, axis=0)))


def _trimmed_mean(values: FloatArray) -> FloatArray:
    ordered = np.sort(values, axis=0)
    cut = int(ordered.shape[0] * _TRIMMED_SHARE)
    return np.asarray(ordered[cut : ordered.shape[0] - cut].mean(axis=0))
