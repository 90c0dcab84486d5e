"""One OpenGL context a session, asked for errors before and after every test."""

import pytest

from prewarp.errors import RenderError
from prewarp.render.gl import open_context
from tests.support import missing


@pytest.fixture(scope="session")
def session_context():
    try:
        with open_context() as context:
            yield context
    except RenderError as cause:
        missing(str(cause))


@pytest.fixture
def context(session_context):
    # Commands that a test runs open contexts of their own: make this one current, and again afterwards.
    with session_context:
        assert session_context.error == "GL_NO_ERROR"
        yield session_context
    with session_context:
        session_context.gc()
        assert session_context.error == "GL_NO_ERROR"
