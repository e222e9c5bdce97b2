"""Lines of keys in TOML text, against the structures that TOML v1.0.0 allows."""

import tomllib

import pytest

from mbsniff.site.lines import Lines

TOML = '''\
# a comment = 1
[defaults] # [x]
a = """
b = 2
""" # "quoted"
'c d'."e\\u0066" = 'it''s'
[[device]]
list = [ # = [
  1, { x = 2, y = [3,
  4] },
  \'\'\'
]\'\'\'\'\',
]
[device.sub]
k = 1979-05-27T07:32:00.5
[[device]]
[[device.register]]
[[device.register]]
r.s = { t = "}" }
'''.replace("'it''s'", "'it s'")

PLACES = [
    (("defaults",), 2),
    (("defaults", "a"), 3),
    (("defaults", "c d"), 6),
    (("defaults", "c d", "ef"), 6),
    (("device",), 7),
    (("device", 0), 7),
    (("device", 0, "list"), 8),
    (("device", 0, "list", 0), 9),
    (("device", 0, "list", 1), 9),
    (("device", 0, "list", 1, "x"), 9),
    (("device", 0, "list", 1, "y", 0), 9),
    (("device", 0, "list", 1, "y", 1), 10),
    (("device", 0, "list", 2), 11),
    (("device", 0, "sub"), 14),
    (("device", 0, "sub", "k"), 15),
    (("device", 1), 16),
    (("device", 1, "register", 0), 17),
    (("device", 1, "register", 1), 18),
    (("device", 1, "register", 1, "r", "s"), 19),
    (("device", 1, "register", 1, "r", "s", "t"), 19),
]


@pytest.mark.parametrize(("path", "line"), PLACES)
def test_line_of_each_key(path: tuple[str | int, ...], line: int) -> None:
    """Every key and item that the TOML reader of the standard library finds stands on the line told."""
    value = tomllib.loads(TOML)
    for step in path:
        value = value[step]  # type: ignore[index]
    assert Lines(TOML).line(path) == line


def test_what_is_missing_is_told_where_it_should_be() -> None:
    """A path that the text lacks has the line of the nearest table around it, or none."""
    lines = Lines(TOML)
    assert lines.line(("device", 1, "address")) == 16
    assert lines.line(("master", 0)) is None
