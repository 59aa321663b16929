"""Draws the diagrams of wiring.md beside this file: `python firmware_notes/diagrams/draw.py`.

Symbols in the manner of IEC 60617, drawn by us. Every part runs from one point to another on the page's grid;
text is text, and colours follow the reader's light or dark scheme.
"""

from __future__ import annotations

import math
from html import escape
from pathlib import Path

STYLE = """
.paper{fill:#fff}.w{stroke:#222;stroke-width:2;fill:none}.s{stroke:#222;stroke-width:2;fill:#fff}
.d{fill:#222}.t{fill:#222;font:14px sans-serif}.n{fill:#555;font:12px sans-serif}.b{font-weight:bold}
.hot{stroke:#b3261e}.z{stroke:#555;stroke-width:1.5;stroke-dasharray:6 4;fill:none}.pe{stroke:#1a7f37}
.h{fill:#b3261e;font:14px sans-serif}
@media (prefers-color-scheme:dark){
.paper{fill:#1b1b1b}.w{stroke:#e6e6e6}.s{stroke:#e6e6e6;fill:#1b1b1b}.d{fill:#e6e6e6}.t{fill:#e6e6e6}
.n{fill:#b5b5b5}.hot{stroke:#ff8a80}.z{stroke:#b5b5b5}.pe{stroke:#6fdd8b}.h{fill:#ff8a80}}
"""

Point = tuple[float, float]


class Sheet:
    """One drawing: parts and words are put on it, `svg` gives its text."""

    def __init__(self, width: int, height: int, title: str, says: str) -> None:
        self._size, self._title, self._says = (width, height), title, says
        self._out: list[str] = []

    @property
    def svg(self) -> str:
        """The whole file."""
        width, height = self._size
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
            f'height="{height}" role="img" aria-labelledby="title desc">'
            f'<title id="title">{escape(self._title)}</title><desc id="desc">{escape(self._says)}</desc>'
            f'<style>{STYLE}</style><rect class="paper" width="{width}" height="{height}"/>'
        )
        return "\n".join([head, *self._out, "</svg>"]) + "\n"

    def wire(self, *points: Point, hot: bool = False, pe: bool = False) -> None:
        """Join points by a line; `hot` carries HT or mains, `pe` is the protective conductor."""
        look = "w hot" if hot else "w pe" if pe else "w"
        way = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._out.append(f'<polyline class="{look}" points="{way}"/>')

    def dot(self, *points: Point) -> None:
        """Mark joints."""
        self._out += [f'<circle class="d" cx="{x:g}" cy="{y:g}" r="4"/>' for x, y in points]

    def text(self, x: float, y: float, *lines: str, look: str = "t", end: str = "start") -> None:
        """Write lines of text, the first with its base at y."""
        for row, line in enumerate(lines):
            self._out.append(
                f'<text class="{look}" x="{x:g}" y="{y + 17 * row:g}" text-anchor="{end}">'
                f"{escape(line)}</text>"
            )

    def note(self, x: float, y: float, *lines: str, end: str = "start") -> None:
        """Write lines in the smaller hand."""
        self.text(x, y, *lines, look="n", end=end)

    def zone(self, x: float, y: float, width: float, height: float) -> None:
        """Draw a dashed frame."""
        self._out.append(
            f'<rect class="z" x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="6"/>'
        )

    def box(self, x: float, y: float, width: float, height: float, *lines: str) -> None:
        """Draw a box with words in its middle."""
        self._out.append(f'<rect class="s" x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"/>')
        top = y + height / 2 - 17 * (len(lines) - 1) / 2 + 5
        self.text(x + width / 2, top, *lines, end="middle")

    # ---- parts between two points

    def _part(self, a: Point, b: Point, half: float, symbol: str, *, hot: bool = False) -> None:
        """Put a symbol, drawn from (-half, 0) to (half, 0), in the middle between two points."""
        length = math.dist(a, b)
        ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        cx, cy = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        self.wire(a, (cx - ux * half, cy - uy * half), hot=hot)
        self.wire((cx + ux * half, cy + uy * half), b, hot=hot)
        turn = math.degrees(math.atan2(uy, ux))
        self._out.append(f'<g transform="translate({cx:g} {cy:g}) rotate({turn:g})">{symbol}</g>')

    def resistor(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw a resistor."""
        self._part(a, b, 22, '<rect class="s" x="-22" y="-8" width="44" height="16"/>', hot=hot)

    def thermistor(self, a: Point, b: Point) -> None:
        """Draw a thermistor with a negative coefficient."""
        self._part(
            a,
            b,
            22,
            '<rect class="s" x="-22" y="-8" width="44" height="16"/>'
            '<polyline class="w" points="-26,14 -16,14 18,-14"/>',
        )

    def fuse(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw a fuse."""
        self._part(
            a,
            b,
            22,
            '<rect class="s" x="-22" y="-8" width="44" height="16"/><path class="w" d="M-22 0H22"/>',
            hot=hot,
        )

    def capacitor(self, a: Point, b: Point) -> None:
        """Draw a capacitor."""
        self._part(a, b, 4, '<path class="w" d="M-4 -13V13M4 -13V13"/>')

    def diode(self, a: Point, b: Point) -> None:
        """Draw a diode that carries current from a to b."""
        self._part(a, b, 10, '<path class="s" d="M-10 -9V9L10 0Z"/><path class="w" d="M10 -9V9"/>')

    def zener(self, a: Point, b: Point) -> None:
        """Draw a Zener diode, its cathode at b."""
        self._part(a, b, 10, '<path class="s" d="M-10 -9V9L10 0Z"/><path class="w" d="M4 -9H10V9"/>')

    def lamp(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw a lamp."""
        self._part(
            a,
            b,
            15,
            '<circle class="s" r="15"/><path class="w" d="M-10.6 -10.6L10.6 10.6M-10.6 10.6L10.6 -10.6"/>',
            hot=hot,
        )

    def contact(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw a make contact, at rest: open."""
        self._part(a, b, 16, '<path class="w" d="M-16 0L14 -13"/>', hot=hot)

    def button(self, a: Point, b: Point) -> None:
        """Draw a push button that makes."""
        self._part(
            a,
            b,
            16,
            '<path class="w" d="M-16 -8H16M0 -8V-22M-6 -22H6"/>'
            '<circle class="s" cx="-16" r="3"/><circle class="s" cx="16" r="3"/>',
        )

    def coil(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw the coil of a relay or contactor."""
        self._part(a, b, 10, '<rect class="s" x="-10" y="-22" width="20" height="44"/>', hot=hot)

    def winding(self, a: Point, b: Point, *, hot: bool = False) -> None:
        """Draw a winding; its bows lie on the left of the way from a to b."""
        bows = "".join("a6 6 0 0 1 12 0" for _ in range(4))
        self._part(a, b, 24, f'<path class="w" d="M-24 0{bows}"/>', hot=hot)

    # ---- ends

    def chassis(self, x: float, y: float) -> None:
        """Draw a joint with the chassis."""
        self.wire((x, y), (x, y + 12))
        self.wire((x - 14, y + 12), (x + 14, y + 12))
        for at in (-14, 0, 14):
            self.wire((x + at, y + 12), (x + at - 7, y + 22))

    def earth(self, x: float, y: float) -> None:
        """Draw the protective earth."""
        self.wire((x, y), (x, y + 12), pe=True)
        for half, down in ((14, 12), (9, 17), (4, 22)):
            self.wire((x - half, y + down), (x + half, y + down), pe=True)

    def valve(self, x: float, y: float) -> tuple[Point, Point]:
        """Draw an output valve around (x, y); return its anode's and its cathode's end."""
        self._out.append(f'<circle class="s" cx="{x:g}" cy="{y:g}" r="34"/>')
        self.wire((x - 14, y - 17), (x + 14, y - 17))
        for row in (-7, 2):
            self._out.append(f'<path class="w" stroke-dasharray="6 4" d="M{x - 18:g} {y + row:g}h36"/>')
        self.wire((x - 14, y + 18), (x - 14, y + 13), (x + 14, y + 13), (x + 14, y + 18))
        self.wire((x, y - 17), (x, y - 34))
        self.wire((x, y + 13), (x, y + 34))
        return (x, y - 34), (x, y + 34)

    def clamp(self, top: Point, bottom: Point) -> None:
        """Draw a clamp: two diodes in series one way, one the other."""
        (x, y), (_, end) = top, bottom
        middle = (y + end) / 2
        self.wire((x - 14, y + 8), (x + 14, y + 8))
        self.wire((x, y), (x, y + 8))
        self.diode((x - 14, y + 8), (x - 14, middle))
        self.diode((x - 14, middle), (x - 14, end - 8))
        self.diode((x + 14, end - 8), (x + 14, y + 8))
        self.wire((x - 14, end - 8), (x + 14, end - 8))
        self.wire((x, end - 8), (x, end))


def sense() -> Sheet:
    """The sense resistor of one pair."""
    it = Sheet(
        940,
        470,
        "Sense resistor, keeper, series resistors and clamps of one pair",
        "The cathodes of a pair go through a 1 ohm sense resistor to the chassis. A string of two diodes "
        "lies across it. From each end of the resistor a series resistor of two parts leads to a twisted,"
        " screened pair of wires; each wire is clamped to the chassis and a capacitor joins the two. The "
        "DAQ reads the difference.",
    )
    anode, cathode = it.valve(120, 100)
    it.wire(anode, (120, 30), hot=True)
    it.text(132, 40, "to the output transformer and HT", look="h")
    it.text(40, 105, "pair", end="middle")
    k, g = (120, 190), (120, 350)
    it.wire(cathode, k)
    it.resistor(k, g)
    it.text(104, 266, "1 ohm", end="end")
    it.note(104, 284, "sense", end="end")
    it.chassis(*g)
    it.note(138, 380, "one lug, at the resistor")
    it.wire(k, (205, 190))
    it.wire(g, (205, 350))
    it.diode((205, 190), (205, 270))
    it.diode((205, 270), (205, 350))
    it.text(222, 266, "keeper")
    it.note(222, 284, "two diodes")
    it.dot(k, g, (205, 190), (205, 350))
    for y in (190, 350):
        it.wire((205, y), (250, y))
        it.resistor((250, y), (315, y))
        it.resistor((315, y), (390, y))
        it.wire((390, y), (760, y))
    it.text(320, 172, "2 x 470 ohm, fusible", end="middle")
    it.text(320, 334, "2 x 470 ohm, fusible", end="middle")
    it.capacitor((425, 190), (425, 350))
    it.text(442, 275, "100 nF")
    it.clamp((520, 190), (520, 262))
    it.chassis(520, 262)
    it.text(545, 232, "clamp")
    it.clamp((580, 350), (580, 422))
    it.chassis(580, 422)
    it.text(605, 392, "clamp")
    it.dot((425, 190), (425, 350), (520, 190), (580, 350))
    it.zone(20, 150, 640, 308)
    it.note(30, 448, "in the amp, at the socket, sleeved")
    it.box(760, 150, 150, 240, "DAQ", "isolated", "from the laptop")
    it.text(768, 195, "+")
    it.text(768, 355, "–")
    it.zone(672, 180, 76, 180)
    it.note(710, 262, "twisted,", "screened", "pair", end="middle")
    return it


def divider() -> Sheet:
    """The HT divider."""
    it = Sheet(
        970,
        420,
        "HT divider of several resistors in series",
        "From HT five resistors of 200 kohm in series lead to a joint, from which 4.7 kohm, a Zener diode"
        " and a capacitor go to the chassis; the joint goes through 1 kohm to the DAQ's pin. The amp's "
        "own bleeder is apart, across the reservoir.",
    )
    it.text(20, 64, "HT, 455 V", look="h")
    it.wire((20, 80), (210, 80), hot=True)
    it.dot((60, 80))
    it.resistor((60, 80), (60, 290), hot=True)
    it.chassis(60, 290)
    it.text(80, 180, "the amp's")
    it.text(80, 197, "own bleeder")
    it.note(80, 216, "the divider is none")
    for part in range(5):
        it.resistor((210 + 70 * part, 80), (280 + 70 * part, 80), hot=True)
    it.text(385, 56, "5 x 200 kohm, each rated for 350 V or more", end="middle")
    it.wire((560, 80), (590, 80), (590, 140))
    it.wire((590, 140), (720, 140))
    it.resistor((590, 140), (590, 290))
    it.chassis(590, 290)
    it.text(572, 220, "4.7 kohm", end="end")
    it.zener((650, 290), (650, 140))
    it.chassis(650, 290)
    it.text(666, 184, "5.1 V")
    it.note(666, 200, "Zener")
    it.capacitor((720, 140), (720, 290))
    it.chassis(720, 290)
    it.text(738, 220, "1 uF")
    it.dot((590, 140), (650, 140), (720, 140))
    it.resistor((720, 140), (790, 140))
    it.wire((790, 140), (820, 140))
    it.text(755, 122, "1 kohm", end="middle")
    it.box(820, 100, 130, 230, "DAQ", "HT pin")
    it.wire((885, 330), (885, 365))
    it.chassis(885, 365)
    it.note(862, 382, "the DAQ's one joint with the chassis", end="end")
    it.zone(205, 30, 590, 310)
    it.note(216, 330, "in the amp, sleeved, 5 mm from everything else")
    return it


def grounding() -> Sheet:
    """What is tied to what."""
    it = Sheet(
        940,
        430,
        "Isolation and grounding of the bench",
        "The amp's chassis is tied to protective earth. The DAQ's ground is tied to the chassis at one "
        "point. An isolator stands between the DAQ and the laptop, which may be on the mains earth "
        "itself.",
    )
    it.box(40, 90, 240, 180, "")
    it.text(160, 80, "amp", end="middle")
    for row, name in enumerate(("pair1", "pair2", "pair3", "pair4")):
        y = 125 + 35 * row
        it.text(60, y + 5, name)
        it.wire((110, y - 5), (430, y - 5))
        it.wire((110, y + 5), (430, y + 5))
    it.note(355, 106, "two wires each", end="middle")
    it.wire((230, 270), (230, 320))
    it.wire((230, 320), (470, 320), (470, 270))
    it.dot((230, 270))
    it.text(350, 344, "the one joint", end="middle")
    it.note(350, 362, "DAQ ground to chassis, 0.75 mm² or more", end="middle")
    it.wire((90, 270), (90, 350), pe=True)
    it.earth(90, 350)
    it.text(112, 366, "PE, always")
    it.box(430, 90, 120, 180, "DAQ")
    it.box(630, 140, 100, 80, "USB", "isolator")
    it.wire((550, 170), (630, 170))
    it.wire((550, 190), (630, 190))
    it.wire((730, 170), (800, 170))
    it.wire((730, 190), (800, 190))
    it.box(800, 120, 110, 120, "laptop")
    it.wire((855, 240), (855, 350), pe=True)
    it.earth(855, 350)
    it.note(842, 300, "may be", "earthed", end="end")
    it._out.append('<path class="z" d="M680 40V130M680 230V410"/>')
    it.text(670, 52, "amp's side", end="end")
    it.text(690, 52, "laptop's side")
    it.note(670, 398, "nothing else crosses this line: no second USB lead, scope or screen", end="end")
    return it


def thermistor() -> Sheet:
    """A thermistor at the chassis."""
    it = Sheet(
        760,
        330,
        "Thermistor with pull-up",
        "From the DAQ's 3.3 V a pull-up of 10 kohm leads to the pin; from there a twisted pair leads to a"
        " thermistor of 10 kohm, which is insulated from the metal that it is clamped to, and back to the"
        " DAQ's ground. A capacitor lies across the pin.",
    )
    it.box(40, 60, 130, 220, "DAQ")
    it.wire((170, 80), (250, 80))
    it.text(180, 72, "3.3 V")
    it.resistor((250, 80), (250, 170))
    it.text(268, 130, "10 kohm")
    it.note(268, 148, "pull-up, 1 % or better")
    it.wire((170, 170), (600, 170))
    it.text(180, 162, "pin")
    it.wire((170, 260), (600, 260))
    it.text(180, 252, "ground")
    it.capacitor((330, 170), (330, 260))
    it.text(348, 221, "100 nF")
    it.dot((250, 170), (330, 170), (330, 260))
    it.thermistor((600, 170), (600, 260))
    it.text(628, 212, "10 kohm")
    it.note(628, 230, "at 25 °C")
    it.zone(560, 140, 160, 145)
    it.note(560, 128, "insulated, on earthed metal")
    it.zone(440, 160, 76, 110)
    it.note(478, 212, "twisted", "pair", end="middle")
    return it


def mains() -> Sheet:
    """Mains by an isolating transformer."""
    it = Sheet(
        940,
        360,
        "Mains measured through an isolating transformer",
        "Live and neutral, after a fuse, feed a safety isolating transformer of 6 V. Its secondary goes "
        "through a bridge rectifier to 15 kohm over 4.7 kohm with a capacitor, and through 1 kohm to the "
        "DAQ's pin.",
    )
    it.text(20, 75, "L", look="h")
    it.wire((40, 70), (60, 70), hot=True)
    it.fuse((60, 70), (140, 70), hot=True)
    it.note(100, 52, "50 mA", end="middle")
    it.text(20, 255, "N", look="h")
    it.wire((140, 70), (190, 70), (190, 110), hot=True)
    it.wire((40, 250), (190, 250), (190, 210), hot=True)
    it.winding((190, 110), (190, 210), hot=True)
    it.winding((240, 210), (240, 110))
    it.wire((215, 125), (215, 195))
    it.note(215, 282, "safety isolating", "transformer, 6 V", end="middle")
    it.wire((240, 110), (240, 90), (330, 90), (330, 130))
    it.wire((240, 210), (240, 230), (330, 230), (330, 190))
    it.box(300, 130, 110, 60, "bridge", "rectifier")
    it.wire((410, 145), (470, 145), (470, 100), (490, 100))
    it.wire((410, 175), (440, 175), (440, 280))
    it.chassis(440, 280)
    it.resistor((490, 100), (570, 100))
    it.text(530, 82, "15 kohm", end="middle")
    it.wire((570, 100), (690, 100))
    it.resistor((600, 100), (600, 280))
    it.chassis(600, 280)
    it.text(584, 196, "4.7 kohm", end="end")
    it.capacitor((690, 100), (690, 280))
    it.chassis(690, 280)
    it.text(708, 196, "10 uF")
    it.dot((600, 100), (690, 100))
    it.resistor((690, 100), (790, 100))
    it.text(740, 82, "1 kohm", end="middle")
    it.box(790, 60, 130, 200, "DAQ", "mains pin")
    it._out.append('<path class="z" d="M215 20V105M215 310V350"/>')
    it.note(205, 34, "mains", end="end")
    it.note(225, 34, "the amp's chassis and the DAQ")
    return it


def cutout() -> Sheet:
    """The cut-out in the mains lead."""
    it = Sheet(
        1000,
        560,
        "Cut-out in live and neutral",
        "Live and neutral come from the supply with its fuse and switch. The lamp limiter, which can be "
        "bridged, lies in live, then the variac; then the two poles of the contactor K1, one in live and "
        "one in neutral, then the amp. Protective earth goes through unbroken. The coil of K1 is fed from"
        " before lamp and variac through the contact of the interface relay K2. The coil of K2 is driven "
        "by a transistor from the DAQ's pin, with a diode across it. The push button goes to the DAQ.",
    )
    it.text(18, 75, "L", look="h")
    it.text(18, 175, "N", look="h")
    it.text(18, 225, "PE")
    it.box(40, 40, 110, 150, "switch", "and", "fuse")
    it.wire((150, 70), (200, 70), hot=True)
    it.lamp((200, 70), (320, 70), hot=True)
    it.note(260, 42, "lamp limiter", end="middle")
    it.wire((220, 70), (220, 115), (236, 115), hot=True)
    it.contact((226, 115), (294, 115), hot=True)
    it.wire((294, 115), (300, 115), (300, 70), hot=True)
    it.note(260, 138, "bridged by hand", end="middle")
    it.dot((220, 70), (300, 70))
    it.wire((320, 70), (400, 70), hot=True)
    it.wire((150, 170), (400, 170), hot=True)
    it.box(400, 40, 110, 150, "variac")
    for y in (70, 170):
        it.wire((510, y), (560, y), hot=True)
        it.contact((560, y), (680, y), hot=True)
        it.wire((680, y), (780, y), hot=True)
    it._out.append('<path class="z" d="M620 62V158"/>')
    it.text(620, 38, "contactor K1, two poles", end="middle")
    it.box(780, 40, 180, 150, "amp", "transformer, rectifier,", "HT capacitors")
    it.wire((40, 220), (870, 220), (870, 190), pe=True)
    it.text(620, 240, "PE is never broken", end="middle")
    # the coil's circuit, from before lamp and variac
    it.wire((175, 70), (175, 300), hot=True)
    it.wire((190, 170), (190, 430), hot=True)
    it.dot((175, 70), (190, 170))
    it.wire((175, 300), (230, 300), hot=True)
    it.fuse((230, 300), (310, 300), hot=True)
    it.contact((310, 300), (400, 300), hot=True)
    it.text(355, 278, "K2", end="middle")
    it.wire((400, 300), (430, 300), (430, 320), hot=True)
    it.coil((430, 320), (430, 410), hot=True)
    it.text(462, 370, "K1")
    it.wire((430, 410), (430, 430), (190, 430), hot=True)
    it.note(205, 380, "full mains, from before", "lamp and variac")
    # the DAQ's side
    it.zone(540, 270, 440, 270)
    it.note(550, 290, "the DAQ's side, extra-low voltage")
    it.box(850, 310, 110, 200, "DAQ")
    it.text(575, 326, "5 V")
    it.wire((605, 320), (660, 320), (660, 335))
    it.coil((660, 335), (660, 405))
    it.text(628, 376, "K2", end="end")
    it.diode((725, 405), (725, 335))
    it.wire((660, 335), (725, 335))
    it.wire((660, 405), (725, 405))
    it.dot((660, 335), (660, 405))
    it.note(742, 366, "flyback", "diode")
    it.box(620, 430, 80, 44, "transistor")
    it.wire((660, 405), (660, 430))
    it.wire((660, 474), (660, 490))
    it.chassis(660, 490)
    it.wire((700, 452), (850, 452))
    it.text(840, 444, "pin", end="end")
    it.button((740, 495), (830, 495))
    it.wire((830, 495), (850, 495))
    it.wire((740, 495), (725, 495), (725, 503))
    it.chassis(725, 503)
    it.note(30, 500, "K1 and K2 close only while energised: no current, no mains.")
    it.note(30, 520, "HT stays on the capacitors after K1 has opened.")
    return it


def adapter() -> Sheet:
    """A socket adapter for amps without sense resistors."""
    it = Sheet(
        860,
        360,
        "Socket adapter with a sense resistor for one valve",
        "Between the valve and the amp's socket every pin goes straight through but the cathode's, in "
        "which a resistor of 1 ohm lies. The keeper, series resistors and clamps sit in the adapter.",
    )
    it.box(60, 40, 200, 70, "valve")
    it.box(60, 270, 200, 60, "the amp's socket")
    for x, name in ((90, "a"), (125, "g2"), (160, "g1"), (195, "h h")):
        it.wire((x, 110), (x, 270), hot=x in (90, 125))
        it.note(x + 4, 130, name)
    it.wire((232, 110), (232, 140))
    it.resistor((232, 140), (232, 240))
    it.wire((232, 240), (232, 270))
    it.note(238, 130, "k")
    it.text(250, 196, "1 ohm")
    it.wire((232, 145), (400, 145))
    it.wire((232, 235), (400, 235))
    it.dot((232, 145), (232, 235))
    it.box(400, 125, 170, 130, "keeper,", "series resistors,", "clamps,", "as above")
    it.wire((570, 145), (690, 145))
    it.wire((570, 235), (690, 235))
    it.box(690, 125, 110, 130, "DAQ")
    it.text(680, 139, "+", end="end")
    it.text(680, 229, "–", end="end")
    it.zone(40, 116, 550, 148)
    it.note(275, 104, "adapter, closed and insulated: anode and screen pins carry HT")
    it.wire((485, 255), (485, 300))
    it.chassis(485, 300)
    it.note(505, 316, "clamps' wire, to a chassis screw")
    return it


SHEETS = {
    "sense": sense,
    "divider": divider,
    "grounding": grounding,
    "thermistor": thermistor,
    "mains": mains,
    "cutout": cutout,
    "adapter": adapter,
}


def main() -> None:
    """Write every drawing beside this file."""
    for name, sheet in SHEETS.items():
        (Path(__file__).parent / f"{name}.svg").write_text(sheet().svg, encoding="utf-8")


if __name__ == "__main__":
    main()
