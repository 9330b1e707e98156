"""Names as people write them, and as nobody should: what the tests of names draw from."""

from __future__ import annotations

from hypothesis import strategies as st

from evenflare import text

TROUBLE = (
    "cost $5 or $6, then $7",  # between two dollar signs lies mathematics, for the plotting library
    "a^b_c {d} \\alpha \\$1$",
    "_left",  # an underscore keeps an entry out of a legend
    "full width （turn） 100％；",  # compatibility forms of characters that mean something
    "(plain) %; ! ? ~ * $ \"'",
    "x" * 60 + " MSG,stop " + "word " * 10 + "(LOGOPEN,out.txt)",
    "</title><script>alert(1)</script>&amp;'\"",
    "]]> <!-- & &lt; ${{7*7}} {% x %}",
    "'\\X2\\0041\\X0\\' \\U+0041 %%d ^J \\P",
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2, -3,=4; @five",
    "@sum",
    "＝1",
    "'quoted",
    'say "hm", then',
    "décomposé e\u0301",
    "設計 третий תכנון تصميم",
    "𝒜 😀 \U00010300 ﷺ ½ №",
    "a\u200db\u200cc\u00adsoft",
    "x" * 200,
    "W" * 90 + " # " + "i" * 100,
)
"""Names that are allowed, each of which some writer has a reason to stumble over."""

REFUSED = {
    "null": "a\x00b",
    "escape": "\x1b[31mred",
    "tab": "a\tb",
    "delete": "a\x7f",
    "c1 control": "a\x9b31m",
    "line feed": "a\nb",
    "carriage return": "a\rb",
    "next line": "a\x85b",
    "line separator": "a\u2028b",
    "paragraph separator": "a\u2029b",
    **{f"direction U+{each:04X}": f"a{chr(each)}b" for each in (0x61C, 0x200E, 0x200F)},
    **{f"direction U+{each:04X}": f"a{chr(each)}b" for each in range(0x202A, 0x202F)},
    **{f"direction U+{each:04X}": f"a{chr(each)}b" for each in range(0x2066, 0x206A)},
    "noncharacter": "a\ufffe",
    "noncharacter beyond": "a\U0001ffff",
    "blank": "  ",
    "nothing to see": "\u200b\u0301",
    "long": "x" * 201,
}


def _taken(drawn: str) -> bool:
    try:
        text.name(drawn)
    except text.UnfitError:
        return False
    return True


NAMES = st.one_of(
    st.sampled_from(TROUBLE),
    st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cn")), min_size=1, max_size=60),
    st.text(st.sampled_from("ab $_^{}\\()（）;%&<>\"'=+-@,#!?~*/é設😀\u0301"), min_size=1, max_size=80),
).filter(_taken)
"""Any name that the reader takes, often with characters that mean something to a format."""
