"""Terms of the trade with their definitions, and the glossary of a page: the terms that it uses, and no others."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from html import escape

from margin.report.blocks import (
    Block,
    ByOption,
    Fragment,
    Listing,
    Picture,
    Row,
    Section,
    Table,
    Term,
    Text,
    flat,
)

HEADING = "Glossary"
OWN = "definition in our own words"
_CELL_LENGTH = 60
"""Characters up to which a heading of a column is searched for a term."""


@dataclass(frozen=True)
class Entry:
    """A term with its definition.

    also    other forms by which a page uses it
    source  standard whose definition is paraphrased, or `OWN`
    """

    term: str
    definition: str
    source: str = OWN
    also: tuple[str, ...] = ()


ENTRIES = (
    Entry("error", "Indicated force less true force.", "after VIM 2.16", ("|error|", "errors")),
    Entry(
        "permissible error",
        "Extreme value of the error that the specification permits at a load, of either sign.",
        "after VIM 4.26",
    ),
    Entry("span", "Difference between the ends of the load range of the case.", "after VIM 4.5"),
    Entry(
        "yield",
        "Share of the units (or of the readings, as the requirement counts) that keep to the permissible error.",
    ),
    Entry(
        "lower bound",
        "Yield that is exceeded with 95 % probability over the epistemic uncertainty; the yield itself where there is "
        "none. It is compared with the required yield.",
    ),
    Entry(
        "epistemic uncertainty",
        "Uncertainty from limited knowledge, the same for all units of a study: the calibration station, and means and "
        "spreads estimated from few sensors. More units drawn do not reduce it, more measurements do.",
    ),
    Entry(
        "outer draw",
        "One draw of everything that is uncertain but the same for the whole study; many units are drawn within it.",
    ),
    Entry(
        "interval",
        "Range that contains the true value with the stated probability. Intervals of a study express the finite "
        "number of draws, those of a bench the finite number of sensors, mountings and cycles.",
        "after GUM 2.3.5",
    ),
    Entry(
        "below resolution",
        "The interval of a change or difference contains zero: these draws cannot show its sign.",
    ),
    Entry(
        "undecided", "The interval of the lower bound contains the required yield: more draws are needed."
    ),
    Entry("conforms", "The whole interval of the lower bound reaches the required yield.", "after JCGM 106"),
    Entry(
        "consumer's risk",
        "Probability that an accepted unit does not conform.",
        "after JCGM 106, 3.3.13 to 3.3.15",
        ("consumer’s risk",),
    ),
    Entry(
        "producer's risk",
        "Probability that a rejected unit conforms.",
        "after JCGM 106, 3.3.14 to 3.3.16",
        ("producer’s risk",),
    ),
    Entry(
        "guard band",
        "Distance between the limit of the requirement and the tighter limit used for acceptance.",
        "after JCGM 106, 3.3.11",
    ),
    Entry(
        "conformity margin",
        "1 less the largest |error| / permissible error of a unit: positive where the unit conforms.",
    ),
    Entry(
        "main effect",
        "Share of the variance that a cause makes by itself (first-order Sobol index); main effects never overlap.",
        "after Sobol 1993",
        ("main effects",),
    ),
    Entry(
        "total effect",
        "Share of the variance that would vanish if this cause alone were fixed, its interactions included (total "
        "Sobol index). Total effects overlap and do not add up.",
        "after Homma and Saltelli 1996",
        ("total effects",),
    ),
    Entry(
        "Shapley effect",
        "Share of the variance attributed to a factor, with interactions and dependence divided evenly among the "
        "factors involved; Shapley effects sum to 1.",
        "after Owen 2014",
        ("Shapley effects",),
    ),
    Entry(
        "cured", "Of the failing units, the part that would conform had this cause alone been drawn afresh."
    ),
    Entry(
        "same draws",
        "Two studies use the same random numbers for everything they have in common, so that a difference between them "
        "is due to the change alone (common random numbers).",
        OWN,
        ("same random numbers", "common random numbers"),
    ),
    Entry(
        "saturation",
        "The output reaches a limit of swing or converter, and no longer follows the load.",
        OWN,
        ("saturated", "at a limit"),
    ),
    Entry(
        "extreme values",
        "Worst case with every cause searched within its limits at once; far more pessimistic than production.",
    ),
    Entry(
        "root sum square",
        "Worst case as three times the root of the sum of the squared contributions, as for independent causes.",
        "after GUM 5.1.2",
    ),
    Entry("hysteresis", "Difference between unloading and loading output at the same load."),
    Entry(
        "reload scatter",
        "Scatter of the output from one placement of the same load to the next, without remounting.",
        OWN,
        ("reload repeatability",),
    ),
    Entry(
        "repeatability",
        "Scatter of readings under the same conditions, in a short time: same sensor, mounting, load and temperature.",
        "after VIM 2.21",
    ),
    Entry(
        "reproducibility",
        "Scatter of readings under changed conditions, here after the sensor was taken out and mounted again.",
        "after VIM 2.25",
    ),
    Entry(
        "drift",
        "Change of the output over time under constant load (creep).",
        "after VIM 4.21",
        ("creep",),
    ),
    Entry(
        "sensitivity",
        "Change of the output divided by the change of the load.",
        "after VIM 4.12",
    ),
    Entry("linearity", "Largest distance of the load curve from a straight line, in percent of span."),
    Entry(
        "resolution", "Smallest change of load that changes the indication perceptibly.", "after VIM 4.14"
    ),
    Entry("mounting", "One installation of a sensor in the fixture, until it is taken out again."),
    Entry(
        "temperature coefficient", "Relative change of zero or span for each kelvin.", OWN, ("%/K", "ppm/K")
    ),
    Entry(
        "standard deviation", "Positive root of the variance; as an uncertainty, the standard uncertainty.",
        "after GUM 2.3.1",
    ),
    Entry(
        "AICc",
        "Akaike's criterion with the correction for few readings: fit and number of parameters weighed against each "
        "other. The smallest is best; a distance above 10 leaves a model no support.",
        "after Burnham and Anderson 2002",
    ),
    Entry(
        "weight",
        "Share of the support that a model has among the candidates (Akaike weight).",
        "after Burnham and Anderson 2002",
        ("weights",),
    ),
    Entry(
        "lack of fit",
        "Residuals larger than the scatter of repeated readings explains, by an F test.",
    ),
    Entry(
        "p, adjusted",
        "Probability of such a difference where there is none, increased for the number of comparisons (Holm 1979).",
        OWN,
        ("adjusted p", "p adjusted"),
    ),
    Entry(
        "failure probability",
        "Probability that a unit of unknown origin does not keep to the permissible error.",
        OWN,
        ("failing probability",),
    ),
    Entry(
        "most probable failing unit",
        "The failing unit nearest to the median unit, counted in standard deviations of all draws: the design point.",
        "after first-order reliability analysis (Hasofer and Lind 1974)",
        ("design point", "design points"),
    ),
    Entry(
        "importance sampling",
        "Draws concentrated where units fail and weighted back, so that rare failures need few draws.",
    ),
    Entry(
        "subset sampling",
        "A rare failure reached through a sequence of less rare ones, each conditional on the one before.",
        "after Au and Beck 2001",
    ),
    Entry(
        "coefficient of variation", "Standard error of an estimate divided by the estimate."
    ),
)  # fmt: skip
"""The terms, in no order: a page sorts those that it uses."""


def with_glossary(parts: tuple[Section, ...]) -> tuple[Section, ...]:
    """The sections with terms marked in the headings of tables, and a folded glossary of the terms used at the end."""
    marked = tuple(replace(part, blocks=tuple(map(_marked, part.blocks))) for part in parts)
    section = glossary(marked)
    return marked if section is None else (*marked, section)


def glossary(parts: Iterable[Section]) -> Section | None:
    """The folded section with the terms used in the sections; None where there are none."""
    found: dict[str, tuple[str, str]] = {}
    texts: list[str] = []
    for text in _texts(parts):
        if isinstance(text, Term):
            found.setdefault(text.name, (text.definition, text.source))
        else:
            texts.append(str(text))
    whole = "\n".join(texts).replace("\N{NO-BREAK SPACE}", " ")
    for entry in ENTRIES:
        if entry.term not in found and _FORMS[entry.term].search(whole):
            found[entry.term] = (entry.definition, entry.source)
    if not found:
        return None
    lines = "".join(
        f"<dt>{escape(name)}</dt><dd>{escape(definition)}{f' ({escape(source)})' if source else ''}</dd>"
        for name, (definition, source) in sorted(found.items(), key=lambda item: item[0].lower())
    )
    count = f"{len(found)} terms used on this page"
    return Section(HEADING, (Fragment(f'<dl class="glossary">{lines}</dl>'),), folded=True, answer=count)


def _form(entry: Entry) -> re.Pattern[str]:
    """Pattern of all forms of a term, in the singular or with a plural 's'."""
    forms = "|".join(re.escape(form) for form in sorted((entry.term, *entry.also), key=len, reverse=True))
    return re.compile(rf"(?<![\w-])(?:{forms})s?(?![\w-])", re.IGNORECASE)


_FORMS: Mapping[str, re.Pattern[str]] = {entry.term: _form(entry) for entry in ENTRIES}
_BY_FORM = {form.lower(): entry for entry in ENTRIES for form in (entry.term, *entry.also)}


def _marked(block: Block) -> Block:
    """A block whose tables carry in their headings the definition of the term that they name."""
    if isinstance(block, Row):
        return Row(tuple(tuple(map(_marked, cell)) for cell in block.cells))
    if isinstance(block, ByOption):
        return replace(block, variants=tuple(tuple(map(_marked, each)) for each in block.variants))
    if not isinstance(block, Table):
        return block
    return replace(block, columns=tuple(map(_heading, block.columns)))


def _heading(text: str) -> str:
    """The heading as a term where it names one, by itself or before a bracket: 'Lower bound (interval)'."""
    if isinstance(text, Term) or len(text) > _CELL_LENGTH:
        return text
    entry = _BY_FORM.get(text.partition(" (")[0].lower())
    return text if entry is None else Term(text, entry.definition, entry.term, entry.source)


def _texts(parts: Iterable[Section]) -> Iterator[str]:
    """Every text of the sections that a reader sees; of figures their captions."""
    for part in parts:
        yield part.heading
        yield part.answer
        yield from part.answers
        for block in flat(part.blocks):
            if isinstance(block, Table):
                yield block.caption
                yield from block.columns
                for row in block.rows:
                    yield from row
            elif isinstance(block, Picture):
                yield block.caption
            elif isinstance(block, Text):
                yield block.text
            elif isinstance(block, Listing):
                yield from block.items
