"""Why a wrist heart rate failed: oracle measures, dose-response, causes, error budget."""

from palpate.explanation.oracle import CadenceDistance, cadence_distance, oracle_windows

__all__ = ["CadenceDistance", "cadence_distance", "oracle_windows"]
