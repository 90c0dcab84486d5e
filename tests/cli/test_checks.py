"""What is said below the table of a package's checks."""

import pytest

from prewarp.cli.checks import node_weights
from prewarp.export.judgement import WEIGHT, Check, Request, VerifyResult
from prewarp.export.lookup_files import BLOB


@pytest.mark.parametrize(
    ("artefact", "measured", "said"),
    [("mesh CSV", 0.89, True), ("mesh CSV", 0.004, False), (BLOB, 0.89, False)],
)
def test_weights_of_nodes_that_do_not_keep_the_light_are_said(artefact, measured, said):
    """The request is 0.5 %; what a blob's weights miss is judged with the light."""
    checks = (
        Check(artefact, WEIGHT, None, 0.001, None, "of light"),
        Check(artefact, WEIGHT, None, measured, None, "of light"),
    )
    text = node_weights(VerifyResult(checks, Request()))
    assert bool(text) == said
    if said:
        assert "CAUTION: weights in mesh CSV files are off by up to 0.89 of light between nodes" in text
        assert "more than the 0.005 requested" in text
