"""The errors that mbsniff raises on purpose: one line that says what, where and how to mend it."""

from __future__ import annotations


class MbsniffError(Exception):
    """Base of all errors of the project.

    Attributes hold the parts, so that a program can use them: ``what`` (one sentence), ``file``,
    ``frame`` (from 1 within the file), ``offset`` (bytes into the file), ``expected``, ``hint``.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        frame: int | None = None,
        offset: int | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.file = file
        self.frame = frame
        self.offset = offset
        self.expected = expected
        self.hint = hint

    def __str__(self) -> str:
        where = self._where()
        text = f"{', '.join(where)}: {self.what}" if where else self.what
        text += f"; expected {self.expected}" if self.expected else ""
        if self.hint:
            text += f" {self.hint}" if text.endswith(("?", ".", "!")) else f". {self.hint}"
        return one_line(text)

    def _where(self) -> list[str]:
        where = [self.file] if self.file else []
        where += [f"frame {self.frame}"] if self.frame is not None else []
        where += [f"byte {self.offset}"] if self.offset is not None else []
        return where


class CaptureError(MbsniffError, OSError):
    """A capture that cannot be opened or is no capture at all."""

    __str__ = MbsniffError.__str__


class SiteError(MbsniffError, ValueError):
    """A site file, or an option that states a limit, that cannot be used.

    Beyond the base: ``line`` (from 1) and ``key`` of the site file.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        line: int | None = None,
        key: str | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(what, file=file, expected=expected, hint=hint)
        self.line = line
        self.key = key

    def _where(self) -> list[str]:
        line = [f"line {self.line}"] if self.line is not None else []
        return super()._where() + line


def one_line(text: str) -> str:
    """The text with everything that does not print (line breaks, terminal controls) as an escape."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
