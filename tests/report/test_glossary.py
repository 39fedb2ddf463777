"""The glossary of a page: terms used there and no others, each with its definition."""

from __future__ import annotations

import re

from margin.report.blocks import Listing, Section, Table, Term, Text
from margin.report.glossary import ENTRIES, HEADING
from margin.report.page import page


def terms_of(*parts: Section) -> list[str]:
    """Terms that the glossary of a page lists."""
    return re.findall(r"<dt>(.*?)</dt>", page("Title", "verdict", None, "0", parts))


def test_only_the_terms_of_the_page_are_listed() -> None:
    """Singular, plural and other forms count; part of another word does not."""
    section = Section("Bench", (Text("Creep of the pads; yields; spanwise; two design points."),))
    assert terms_of(section) == ["drift", "most probable failing unit", "yield"]
    assert terms_of(Section("Nothing", (Listing("", ("a line",)),))) == []


def test_headings_of_tables_carry_their_definition_to_the_keyboard() -> None:
    """A column that names a term is focusable and holds the definition, escaped; the glossary is folded."""
    table = Table("Options.", ("Option", "Lower bound (interval)"), (("none", "3 %"),))
    shown = page("Title", "verdict", None, "0", (Section("Yields", (table,)),))
    assert re.search(r'<abbr class="term" tabindex="0" title="Yield that is exceeded.*?">Lower bound', shown)
    assert re.search(rf'<details class="evidence">\s*<summary><h2 id="glossary">{HEADING}</h2>', shown)


def test_a_term_of_the_data_brings_its_own_definition() -> None:
    """A figure of merit in a table is listed with the definition that the data give it, as text."""
    own = Term("hysteresis", "width of the loop <b> at half span")
    shown = page("T", "v", None, "0", (Section("S", (Table("C", ("Figure",), ((own,),)),)),))
    assert 'title="width of the loop &lt;b&gt; at half span"' in shown
    assert "<dt>hysteresis</dt><dd>width of the loop &lt;b&gt; at half span</dd>" in shown
    assert shown.count("<dt>hysteresis") == 1


def test_every_entry_is_one_or_two_sentences_with_a_source() -> None:
    """Definitions are short, end as sentences, and say whose they are; no form belongs to two terms."""
    forms = [form.lower() for entry in ENTRIES for form in (entry.term, *entry.also)]
    assert len(forms) == len(set(forms))
    for entry in ENTRIES:
        assert entry.definition.endswith(".") and entry.definition.count(". ") <= 1, entry.term
        assert entry.source
