"""What overlays say: numbers with units, labels, clocks, dashes, and now and then a word."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

UNITS = [
    "Mb/s",
    "Mbps",
    "Mbit/s",
    "MB/s",
    "kbps",
    "Mb",
    "M",
    "ms",
    "mS",
    "s",
    "us",
    "dBm",
    "dB",
    "%",
    "V",
    "mV",
    "v",
    "A",
    "mA",
    "mAh",
    "Ah",
    "W",
    "mW",
    "MHz",
    "GHz",
    "Hz",
    "m",
    "ft",
    "km",
    "km/h",
    "mph",
    "m/s",
    "kn",
    "°",
    "°C",
    "C",
    "F",
    "fps",
    "FPS",
    "rpm",
    "RPM",
    "x",
    "k",
    "min",
    "h",
    "sat",
    "S",
    "bar",
    "pts",
    "px",
    "°",
    "deg",
]
LABELS = [
    "BIT",
    "RATE",
    "Rate",
    "Bitrate",
    "BR",
    "LAT",
    "Lat",
    "Latency",
    "Delay",
    "DLY",
    "RTT",
    "PING",
    "CH",
    "Ch",
    "Channel",
    "RSSI",
    "LQ",
    "SNR",
    "LINK",
    "BAT",
    "Bat",
    "VBAT",
    "CELL",
    "CUR",
    "ALT",
    "Alt",
    "H:",
    "V:",
    "D:",
    "HOME",
    "DIST",
    "SPD",
    "GS",
    "TIME",
    "T:",
    "ON",
    "FLY",
    "REC",
    "SD",
    "TEMP",
    "PWR",
    "TX",
    "RX",
    "RX1",
    "ANT",
    "A",
    "B",
    "L",
    "R",
    "UP",
    "DOWN",
    "MAX",
    "MIN",
    "AVG",
    "Speed",
    "Signal",
    "Q",
    "SAT",
    "HDG",
    "PIT",
    "ROLL",
    "THR",
    "#",
    ">",
    "<",
    "*",
    "@",
    "▲",
    "→",
]
WORDS = [
    "N/A",
    "NONE",
    "LOST",
    "NO",
    "LINK",
    "NO",
    "SIGNAL",
    "OFF",
    "ERR",
    "WAIT",
    "STBY",
    "ARMED",
    "DISARMED",
    "OK",
    "HOLD",
    "AUTO",
    "MANUAL",
    "READY",
    "WARNING",
    "LOW",
    "SEARCHING",
]


@dataclass(frozen=True, slots=True)
class Words:
    """The pieces of one overlay line, in reading order; empty where there is none."""

    before: str
    number: str
    after: str

    @property
    def whole(self) -> str:
        """The line as it is drawn."""
        return self.before + self.number + self.after


def sample_words(rng: np.random.Generator) -> Words:
    """Draw one overlay line.

    One in seventeen has no number but a word; one in eight shows a dash for no value.
    """
    kind = rng.random()
    if kind < 0.06:
        return Words("", "", str(rng.choice(WORDS)))
    number = _dash(rng) if kind < 0.185 else _number(rng)
    before = after = ""
    if rng.random() < 0.55:
        after = _unit(rng)
        known = after in UNITS
        after = str(rng.choice(["", " ", " ", "  "] if known else [" ", "  "])) + after
    if rng.random() < 0.22:
        before = _label(rng)
        gaps = ["", " ", " ", ": ", ":", "  "] if before in LABELS else [" ", ": ", "  "]
        before += str(rng.choice(gaps))
    return Words(before, number, after)


def sample_successor(words: Words, rng: np.random.Generator) -> Words:
    """Draw what the same line may show next: usually a number of the same form nearby."""
    if rng.random() < 0.14 or not words.number:
        return Words(words.before, _dash(rng) if rng.random() < 0.5 else _number(rng), words.after)
    signs = list(words.number)
    places = [k for k, sign in enumerate(signs) if sign.isdigit()]
    for k in places[-int(rng.integers(1, 4)) :]:
        signs[k] = str(rng.integers(10))
    return Words(words.before, "".join(signs), words.after)


def _number(rng: np.random.Generator) -> str:
    kind = rng.random()
    point = "," if rng.random() < 0.15 else "."
    if kind < 0.34:
        return f"{_spread(rng, 99.9):.1f}".replace(".", point)
    if kind < 0.44:
        return f"{_spread(rng, 300):.{rng.integers(1, 4)}f}".replace(".", point)
    if kind < 0.64:
        return str(int(_spread(rng, 10 ** int(rng.integers(1, 4)))))
    if kind < 0.69:
        return str(rng.integers(10 ** int(rng.integers(3, 6))))
    if kind < 0.79:
        sign = str(rng.choice(["-", "-", "−", "–"]))
        return sign + (
            str(rng.integers(1, 130)) if rng.random() < 0.7 else f"{rng.random() * 99:.1f}"
        )
    if kind < 0.86:
        return _clock(rng)
    if kind < 0.91:
        return f"{rng.integers(10**4):0{rng.integers(2, 6)}d}"
    if kind < 0.95:
        return _repeated(rng).replace(".", point)
    return _pair(rng)


def _spread(rng: np.random.Generator, top: float) -> float:
    """Draw a value below `top`, often far below it, at times round or just at a carry."""
    value = float(rng.random()) * top * (1.0 if rng.random() < 0.7 else 0.12)
    return float(round(value)) if rng.random() < 0.08 else value


def _clock(rng: np.random.Generator) -> str:
    minutes, seconds = int(rng.integers(60)), int(rng.integers(60))
    if rng.random() < 0.25:
        return f"{rng.integers(24)}:{minutes:02d}:{seconds:02d}"
    return f"{minutes:02d}:{seconds:02d}" if rng.random() < 0.5 else f"{minutes}:{seconds:02d}"


def _repeated(rng: np.random.Generator) -> str:
    digit = str(rng.choice(list("0118889")))
    text = digit * int(rng.integers(2, 5))
    return text if rng.random() < 0.5 else f"{text[:-1]}.{text[-1]}"


def _pair(rng: np.random.Generator) -> str:
    between = str(rng.choice(["/", "x", " ", "  ", "-", " | "]))
    return f"{rng.integers(200)}{between}{rng.integers(200)}"


def _dash(rng: np.random.Generator) -> str:
    dash = str(rng.choice(["-", "-", "-", "–", "—"]))
    form = str(rng.choice(["D", "DD", "DD", "DD", "DDD", "DDDD", "D.D", "DD.D", "DD:DD", "D D"]))
    return form.replace("D", dash)


def _unit(rng: np.random.Generator) -> str:
    return str(rng.choice(UNITS)) if rng.random() < 0.85 else _letters(rng)


def _label(rng: np.random.Generator) -> str:
    return str(rng.choice(LABELS)) if rng.random() < 0.8 else _letters(rng)


def _letters(rng: np.random.Generator) -> str:
    pool = list("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz%/()[]+=*&!?")
    return "".join(rng.choice(pool, int(rng.integers(1, 6))))
