"""Units of a case file: symbols, spellings, and names of dimensions.

Prefixes and symbols follow the SI brochure (BIPM, 9th edition, tables 2 to 8); factors of the pound-force and
the inch are those of NIST SP 811, appendix B (from memory).
"""

from __future__ import annotations

DEFINITIONS = """
tera- = 1e12 = T-
giga- = 1e9 = G-
mega- = 1e6 = M-
kilo- = 1e3 = k-
centi- = 1e-2 = c-
milli- = 1e-3 = m-
micro- = 1e-6 = u-
nano- = 1e-9 = n-
pico- = 1e-12 = p-
femto- = 1e-15 = f-
meter = [length] = m = metre
second = [time] = s = sec
gram = [mass] = g
ampere = [current] = A = amp
kelvin = [temperature]; offset: 0 = K
degree_Celsius = kelvin; offset: 273.15 = degC = Celsius
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF = Fahrenheit
radian = [angle] = rad
degree = 3.14159265358979323846264338327950 / 180 * radian = deg
percent_RH = 1
bel = [level_of_ratio] = B
newton = kilogram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
joule = newton * meter = J
electron_volt = 1.602176634e-19 * joule = eV
watt = joule / second = W
volt = watt / ampere = V
ohm = volt / ampere = Ohm
siemens = ampere / volt = S
coulomb = ampere * second = C
farad = coulomb / volt = F
henry = volt * second / ampere = H
hertz = 1 / second = Hz
minute = 60 * second = min
hour = 60 * minute = h = hr
day = 24 * hour
year = 365.25 * day
bar = 1e5 * pascal
inch = 0.0254 * meter = in
mil = 0.001 * inch
gram_force = 9.80665e-3 * newton = gf
pound_force = 4.4482216152605 * newton = lbf
psi = pound_force / inch ** 2
percent = 0.01
ppm = 1e-6
LSB = 1 = count
strain = 1
"""

SPELLINGS = {
    "%": "percent",
    "%RH": "percent_RH",
    "%rh": "percent_RH",
    "°C": "degC",
    "°F": "degF",
    "°": "deg",
    "delta_degC": "K",
    "dB": "decibel",
}

TYPOGRAPHIC = (
    ("\u00b5", "u"),  # micro sign
    ("\u03bc", "u"),  # Greek letter mu
    ("\u03a9", "ohm"),  # Greek letter omega
    ("\u2126", "ohm"),  # ohm sign
    ("\u2103", "°C"),
    ("\u2212", "-"),  # minus sign
    ("\u00a0", " "),
    ("\u202f", " "),
)
WITHOUT_PREFIX = frozenset((
    "percent", "percent_RH", "ppm", "LSB", "strain", "degree_Celsius", "degree_Fahrenheit", "minute", "hour",
    "day", "year", "inch", "mil", "pound_force", "psi", "degree", "bel",
))  # fmt: skip


NAMES: tuple[tuple[str, str, str], ...] = (
    ("ohm", "resistance", "47 kohm"),
    ("S", "conductance", "3.2 uS"),
    ("N", "force", "10 N"),
    ("V", "voltage", "1.2 V"),
    ("A", "current", "2 nA"),
    ("F", "capacitance", "100 nF"),
    ("Hz", "frequency", "1 kHz"),
    ("s", "time", "10 s"),
    ("m", "length", "8 mm"),
    ("N/m", "stiffness", "200 N/mm"),
    ("Pa", "pressure", "50 kPa"),
    ("W", "power", "5 mW"),
    ("K", "temperature", "5 K"),
    ("rad", "angle", "3 deg"),
    ("dB", "level in decibels", "80 dB"),
    ("", "plain number", "5 %"),
    ("1/K", "temperature coefficient", "50 ppm/K"),
    ("1/K**2", "quadratic temperature coefficient", "2 ppm/K^2"),
    ("1/V", "voltage coefficient", "1 %/V"),
    ("1/N", "load coefficient", "0.1 %/N"),
    ("V/K", "voltage drift", "5 uV/K"),
    ("N/K", "force drift", "20 mN/K"),
    ("S/K", "conductance drift", "1 nS/K"),
    ("A/K", "current drift", "1 pA/K"),
    ("V/Hz**0.5", "voltage noise density", "10 nV/sqrt(Hz)"),
    ("A/Hz**0.5", "current noise density", "1 pA/sqrt(Hz)"),
    ("S/N", "conductance over force", "0.5 uS/N"),
    ("m/N", "compliance", "5 um/N"),
    ("V/s", "slew rate", "1 V/us"),
    ("K/W", "thermal resistance", "200 K/W"),
    ("eV", "energy", "0.7 eV"),
)
