"""Registration: of channels that were captured apart, from seam pairs.

A seam pair is the same content seen through both channels. `pairs` reads the table, `model` says what a turn
does to a pair, `register` finds the turns and how sure they are. Applied by `FieldSet.mounted`: nothing is
fitted again.
"""

from prewarp.registration.pairs import SeamPairs, read_pairs
from prewarp.registration.register import register_channels
from prewarp.registration.result import Parameter, RegistrationResult

__all__ = ["Parameter", "RegistrationResult", "SeamPairs", "read_pairs", "register_channels"]
