"""Quantities as engineers write them: the text is taken apart here, what it means is settled in `quantity`.

    quantity   = [ nominal ] [ spread { "," spread } ]
    nominal    = number unit | number [ unit ] "to" number unit
    spread     = deviation { "(" note { "," note } ")" } [ "per" level ]
    deviation  = "+/-" number unit | "+" number unit "/" "-" number unit | "-" number unit "/" "+" number unit
    note       = number "sigma" | "Cpk" number | "screened" | "from" number "units" | "without" number unit
               | "rectangular" | "triangular" | "arcsine" | "normal" | "half-normal"
    unit       = "" | factor { ("/" | "*") factor }        kohm, ppm/K, uV/K, nV/sqrt(Hz), 1/K

'±' stands for '+/-'. The notes and the level of a range ('5 degC to 40 degC (arcsine) per condition') follow
it directly; without notes a range is rectangular between its ends. Examples:

    47 kohm +/- 1 %
    1.2 V +/- 5 mV (3 sigma, screened)
    3.2 uS +/- 8 % (2 sigma) per lot, +/- 12 % (2 sigma, from 6 units) per unit
    10 kohm +/- 5 % (without 1 %)
    10 kohm +2 % / -1 %
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NoReturn

from distributions.tolerance import SHAPES as NOTE_SHAPES
from margin.case.faults import ValueFault, choices, nearest
from margin.case.tokens import Token, fraction, piece, tokens
from margin.case.units import plain

LONGEST_TEXT = 400


@dataclass(frozen=True)
class Number:
    """A number with its unit as written ('' for none)."""

    value: Fraction
    unit: str


@dataclass(frozen=True)
class WrittenSpread:
    """One deviation with its notes, as written. `minus` and `plus` are signed."""

    minus: Number
    plus: Number
    text: str
    coverage: str | None = None
    screened: bool = False
    selected_out: Number | None = None
    shape: str | None = None
    measured_on: int | None = None
    level: str | None = None


@dataclass(frozen=True)
class WrittenQuantity:
    """A quantity as written: a nominal value, or the two ends of a range, or neither; and its spreads.

    The first spread of a range stands for the range itself: its notes and level, not its limits.
    """

    nominal: Number | None
    ends: tuple[Number, Number] | None
    spreads: tuple[WrittenSpread, ...]


def read_text(text: str) -> WrittenQuantity:
    """Take a quantity apart. Raises ValueFault that points at the piece at fault."""
    if len(text) > LONGEST_TEXT:
        raise ValueFault(
            f"{len(text)} characters are too many for a quantity", "write the table form instead"
        )
    if not text.strip():
        raise ValueFault("is empty", "write a number with its unit")
    return _Reader(plain(text)).quantity()


class _Reader:
    """Recursive descent over the tokens of one quantity; each method reads what it is named after."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = tokens(text)
        self.at = 0

    def peek(self, ahead: int = 0) -> Token:
        place = self.at + ahead
        end = len(self.text)
        return self.tokens[place] if place < len(self.tokens) else Token("end", "", end, end)

    def take(self) -> Token:
        token = self.peek()
        self.at += 1
        return token

    def is_next(self, *texts: str) -> bool:
        return self.peek().text in texts and self.peek().kind != "end"

    def fail(self, wanted: str, mend: str = "") -> NoReturn:
        token = self.peek()
        if token.kind == "end":
            raise ValueFault(f"{wanted} is missing at the end", mend)
        raise ValueFault(f"{wanted} is needed before {piece(self.text[token.start :].strip())}", mend)

    def quantity(self) -> WrittenQuantity:
        nominal: Number | None = None
        ends: tuple[Number, Number] | None = None
        spreads: list[WrittenSpread] = []
        if not self.starts_deviation():
            nominal = self.number()
            if self.is_next("to"):
                self.take()
                high = self.number()
                ends = (Number(nominal.value, nominal.unit or high.unit), high)
                nominal = None
                spreads.append(self.notes(ends[0], ends[1], 0))
                self.comma()
            elif self.is_next(","):
                self.comma()
        while self.starts_deviation():
            spreads.append(self.spread())
            self.comma()
        if self.peek().kind != "end":
            self.fail_trailing()
        return WrittenQuantity(nominal, ends, tuple(spreads))

    def comma(self) -> None:
        """The comma between spreads; it may be left out, but nothing may be left out after it."""
        if self.is_next(","):
            after = self.peek(1)
            if after.kind == "number" and self.at and self.tokens[self.at - 1].kind == "number":
                raise ValueFault("a decimal comma is not read", "write a point")
            self.take()
            if not self.starts_deviation():
                self.fail('a deviation such as "+/- 1 %"')

    def fail_trailing(self) -> NoReturn:
        token = self.peek()
        rest = piece(self.text[token.start :].strip())
        if token.text == "(":
            raise ValueFault(
                f"the note {rest} has no tolerance before it", 'write such as "+/- 1 % (2 sigma)"'
            )
        if token.text == "per":
            raise ValueFault(
                f"{rest} has no tolerance before it",
                'write such as "+/- 1 % per lot"; a quotient of units has a stroke, as in "mV/V"',
            )
        raise ValueFault(f"cannot read {rest}", 'write such as "47 kohm +/- 1 % per unit"')

    def starts_deviation(self) -> bool:
        if self.peek().kind == "plusminus":
            return True
        if self.peek().text not in ("+", "-") or self.peek(1).kind != "number":
            return False
        # '-5 mV +/- 1 mV' opens with a negative value, '-1 % / +2 %' with a deviation
        place = self.at + 2
        while place < len(self.tokens) and self.tokens[place].text not in ("+", "-", ",", "(", "to", "per"):
            if self.tokens[place].kind == "plusminus":
                return False
            place += 1
        opposite = place < len(self.tokens) and self.tokens[place].text in ("+", "-")
        return opposite and self.tokens[place - 1].text == "/"

    def spread(self) -> WrittenSpread:
        start = self.peek().start
        sign = self.take()
        if sign.kind == "plusminus":
            size = self.unsigned()
            return self.notes(Number(-size.value, size.unit), size, start)
        first = self.unsigned()
        self.take()
        second_sign = self.take()
        second = self.unsigned()
        if second_sign.text == sign.text:
            raise ValueFault(
                f"the limits of {piece(self.text[start:].strip())} lie on one side",
                'write such as "+2 % / -1 %"',
            )
        plus, minus = (first, second) if sign.text == "+" else (second, first)
        plus = Number(plus.value, plus.unit or minus.unit)
        return self.notes(Number(-minus.value, minus.unit or plus.unit), plus, start)

    def notes(self, minus: Number, plus: Number, start: int) -> WrittenSpread:
        """Notes and level after the limits."""
        coverage: str | None = None
        shape: str | None = None
        screened = False
        selected_out: Number | None = None
        measured_on: int | None = None
        while self.is_next("("):
            self.take()
            while True:
                token = self.peek()
                word = token.text.lower()
                if token.kind == "number":
                    coverage = self.sigma()
                elif word == "cpk":
                    self.take()
                    coverage = f"Cpk {self.bare('a number after Cpk')}"
                elif word == "screened":
                    self.take()
                    screened = True
                elif word == "from":
                    measured_on = self.units()
                elif word == "without":
                    self.take()
                    selected_out = self.unsigned()
                elif word in NOTE_SHAPES:
                    self.take()
                    shape = word
                else:
                    self.unknown_note()
                if not self.is_next(","):
                    break
                self.take()
            if not self.is_next(")"):
                self.fail('a closing bracket ")"')
            self.take()
        level: str | None = None
        if self.is_next("per"):
            self.take()
            if self.peek().kind != "word":
                self.fail('a level of variation after "per"', 'write such as "per unit"')
            level = self.take().text
        end = self.tokens[self.at - 1].end
        return WrittenSpread(
            minus,
            plus,
            self.text[start:end].strip(),
            coverage,
            screened,
            selected_out,
            shape,
            measured_on,
            level,
        )

    def unknown_note(self) -> NoReturn:
        known = ("2 sigma", "Cpk 1.33", "screened", "from 6 units", "without 1 %", *NOTE_SHAPES)
        token = self.peek()
        if token.kind == "end":
            raise ValueFault("the bracket is not closed", f"known notes are {choices(known)}")
        near = nearest(token.text.lower(), [word.split()[0] for word in known] + ["sigma"])
        mend = f'did you mean "{near}"?' if near else f"known notes are {choices(known)}"
        raise ValueFault(f"{piece(token.text)} is not a note on a tolerance", mend)

    def sigma(self) -> str:
        number = self.bare("a number")
        if self.is_next("%"):
            raise ValueFault(
                f'a coverage of "{number} %" is not read', 'write such as "2 sigma" or "Cpk 1.33"'
            )
        if not self.is_next("sigma", "σ"):
            self.fail('"sigma"', 'write such as "2 sigma"')
        self.take()
        return f"{number} sigma"

    def units(self) -> int:
        self.take()
        number = self.bare("a number of units")
        if self.is_next("units", "unit"):
            self.take()
        else:
            self.fail('"units"', 'write such as "from 6 units"')
        if not number.isdigit() or not 2 <= int(number) <= 1_000_000:
            raise ValueFault(f'a spread cannot be known from "{number} units"', "it takes 2 units or more")
        return int(number)

    def bare(self, what: str) -> str:
        if self.peek().kind != "number":
            self.fail(what)
        token = self.take()
        if fraction(token.text) == 0:
            raise ValueFault(f'"{token.text}" in the bracket must be above 0')
        return token.text

    def number(self) -> Number:
        sign = 1
        if self.is_next("-", "+"):
            sign = -1 if self.take().text == "-" else 1
        number = self.unsigned()
        return Number(sign * number.value, number.unit)

    def unsigned(self) -> Number:
        token = self.peek()
        if token.kind == "word" and token.text.lower() in ("nan", "inf", "infinity"):
            raise ValueFault(f'"{token.text}" is not a finite number', "write a number with its unit")
        if token.kind != "number":
            self.fail("a number")
        value = fraction(self.take().text)
        if self.is_next(",") and self.peek(1).kind == "number":
            raise ValueFault("a decimal comma is not read", f"write {token.text}.{self.peek(1).text}")
        return Number(value, self.unit())

    def unit(self) -> str:
        """Text of the unit that follows, '' for none. What it means is for `units` to say."""
        start = self.peek().start
        if self.peek().text == "1" and self.peek(1).text == "/":
            self.take()
        elif not self.starts_factor() and not (self.is_next("/") and self.starts_factor(1)):
            return ""
        else:
            if self.is_next("/"):
                self.take()
            self.factor()
        while self.is_next("/", "*", "·") and self.starts_factor(1):
            self.take()
            self.factor()
        return self.text[start : self.tokens[self.at - 1].end].strip()

    def starts_factor(self, ahead: int = 0) -> bool:
        token = self.peek(ahead)
        return token.text == "√" or (token.kind == "word" and token.text not in ("to", "per"))

    def factor(self) -> None:
        word = self.take()
        if word.text == "√":
            if self.peek().kind == "word":
                self.take()
        elif word.text == "sqrt" and self.is_next("("):
            for _ in range(3):
                self.take()
        if self.is_next("^", "**"):
            self.take()
            if self.is_next("-"):
                self.take()
            if self.peek().kind == "number":
                self.take()
