"""One family of errors. Text is for people, fields are for programs.

Every message says, in this order: where, what was found, what was expected, how to mend it.
"""


class PrewarpError(Exception):
    """Base of every error that this package raises on purpose.

    Keyword arguments become attributes (`path`, `row`, `channel`, ...), so a program need not parse text.

    Examples
    --------
    >>> import prewarp
    >>> try:
    ...     prewarp.read_grid("nowhere.csv")
    ... except prewarp.PrewarpError as error:
    ...     print(error.fields["path"])
    nowhere.csv
    """

    def __init__(self, message: str, /, **fields: object) -> None:
        super().__init__(message)
        self.fields = fields
        for name, value in fields.items():
            setattr(self, name, value)


class ShapeError(PrewarpError):
    """An array has the wrong shape, kind or range."""


class InputFileError(PrewarpError):
    """A file is missing, too large, unreadable or not what its name says."""


class ModuleError(PrewarpError):
    """A module description is wrong; names the key and what it accepts."""


class GridError(PrewarpError):
    """A distortion grid is wrong; names the file, row and column."""


class CaptureError(PrewarpError):
    """A capture's plan, target, camera or photograph is wrong; names the file and, in tables, the row."""


class TraceError(PrewarpError):
    """An optical design cannot be traced; names the surface."""


class FitError(PrewarpError):
    """A fit cannot be made from these samples."""


class ExtrapolationError(PrewarpError):
    """A pupil position lies too far outside what was captured for anything to be said of it."""


class FoldError(PrewarpError):
    """A fitted map folds: one direction would be seen at two panel points."""


class SeamError(PrewarpError):
    """Channels cannot be joined: no overlap where one is needed."""


class ShaderError(PrewarpError):
    """A shader piece is missing, includes itself or does not compile."""


class RenderError(PrewarpError):
    """A picture cannot be rendered with the means at hand."""


class PackageError(PrewarpError):
    """An exported folder does not hold what it claims."""


class LineError(PrewarpError):
    """A family of units or a line of them that cannot be used."""
