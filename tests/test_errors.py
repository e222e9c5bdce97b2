"""How errors print: one line that says where, what, what was expected and how to mend it."""

from mbsniff.errors import CaptureError, MbsniffError, SiteError


def test_parts_in_order() -> None:
    """Place, fault, expectation and hint make one line, each only where it is known."""
    error = CaptureError(
        "is cut short", file="a.pcap", frame=3, offset=24, expected="16 bytes", hint="Copy it again."
    )
    assert str(error) == "a.pcap, frame 3, byte 24: is cut short; expected 16 bytes. Copy it again."
    assert str(MbsniffError("is cut short")) == "is cut short"


def test_site_error_has_line_and_key() -> None:
    """A site file's error stands after its line; a question needs no full stop before the hint."""
    error = SiteError(
        'key "x" is not known; did you mean "y"?', file="s.toml", line=3, key="x", hint="Known: y."
    )
    assert str(error) == 's.toml, line 3: key "x" is not known; did you mean "y"? Known: y.'
    assert (error.line, error.key, error.file) == (3, "x", "s.toml")
    assert str(SiteError("is wrong", line=2)) == "line 2: is wrong"


def test_nothing_from_a_file_reaches_the_terminal_raw() -> None:
    """Line breaks, escape sequences and text-direction marks come out as escapes; letters stay."""
    error = MbsniffError("holds \x1b[2J\n\u202e", file="zöne\r\u0085.pcap")
    assert str(error) == r"zöne\r\x85.pcap: holds \x1b[2J\n\u202e"


def test_errors_are_also_what_callers_expect() -> None:
    """A capture that cannot be opened is an OSError, a wrong value a ValueError."""
    assert issubclass(CaptureError, OSError) and issubclass(SiteError, ValueError)
