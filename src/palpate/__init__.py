"""palpate finds where, between heart and wrist, the heart-rate information was lost.

The rooms are importable by name (``palpate.ecg``, ``palpate.motion``, ...); importing the
package itself imports nothing, so that the command line answers at once.
"""

__version__ = "0.1.0"
