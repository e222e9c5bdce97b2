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
        where = [self.file] if self.file else []
        where += [f"frame {self.frame}"] if self.frame is not None else []
        where += [f"byte {self.offset}"] if self.offset is not None else []
        text = f"{', '.join(where)}: {self.what}" if where else self.what
        text += f"; expected {self.expected}" if self.expected else ""
        return f"{text}. {self.hint}" if self.hint else text


class CaptureError(MbsniffError, OSError):
    """A capture that cannot be opened or is no capture at all."""

    __str__ = MbsniffError.__str__


class SiteError(MbsniffError, ValueError):
    """A site file, or an option that states a limit, that cannot be used.

    Beyond the base: ``line`` (from 1) and ``key`` of the site file.
    """

    def __init__(self, what: str, *, line: int | None = None, key: str | None = None, **parts: object) -> None:
        super().__init__(what, **parts)  # type: ignore[arg-type]
        self.line = line
        self.key = key

    def __str__(self) -> str:
        text = super().__str__()
        if self.line is None:
            return text
        head = f"{self.file}, " if self.file else ""
        return f"{head}line {self.line}: {text[len(self.file or '') + 2:] if self.file else text}"
