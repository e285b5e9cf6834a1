"""Small files in the shapes that instruments and people write, each with what must be read from it.

All are made up for these tests; none is the format of a maker.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from refettle.captures import Choices


@dataclass(frozen=True)
class Shape:
    """A file, what is chosen, and what it holds: step and start [s], channels as name -> (unit, values)."""

    name: str
    data: bytes
    step: float
    channels: dict[str, tuple[str, list[float]]]
    start: float = 0.0
    choices: Choices = field(default_factory=Choices)
    doubt: str = ""
    understood: str = ""


def shape(name: str, text: str | bytes, step: float, holds: dict[str, Any], **more: Any) -> Shape:
    data = text if isinstance(text, bytes) else text.encode()
    start, doubt, understood = more.pop("start", 0.0), more.pop("doubt", ""), more.pop("understood", "")
    return Shape(name, data, step, holds, start, Choices(channels=more.pop("only", ()), **more), doubt, understood)


NAN = float("nan")
RAIL = {"CH1": ("V", [8.1, 8.3, 8.2])}
TWO = {"CH1": ("V", [8.1, 8.3, 8.2]), "CH2": ("A", [0.5, 0.6, 0.4])}

SHAPES = [
    # one heading line
    shape("plain", "Time (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL),
    shape("two channels", "t [s],CH1 [V],CH2 [A]\n0,8.1,.5\n1e-4,8.3,.6\n2e-4,8.2,.4\n", 1e-4, TWO),
    shape("time in ms", "Time (ms),CH1 (V)\n0,8.1\n0.1,8.3\n0.2,8.2\n", 1e-4, RAIL),
    shape("time in µs, slash", "t/µs,CH1/V\n0,8.1\n100,8.3\n200,8.2\n", 1e-4, RAIL),
    shape("micro as u", "Time_us,CH1_V\n0,8.1\n100,8.3\n200,8.2\n", 1e-4, RAIL),
    shape("minutes", "Time (min),CH1 (V)\n0,8.1\n1,8.3\n2,8.2\n", 60.0, RAIL, doubt="a log of readings 60"),
    shape("millivolts", "Time (s),CH1 (mV)\n0,8100\n0.0001,8300\n0.0002,8200\n", 1e-4, RAIL),
    shape("unit words", "second,Volt\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL),
    shape("quoted heads", '"Time (s)","CH1 (V)"\n0,8.1\n0.0001,8.3\n0.0002,8.2\n', 1e-4, RAIL),
    shape("everything quoted", '"Time","CH1"\n"0","8.1"\n"0.0001","8.3"\n"0.0002","8.2"\n', 1e-4, RAIL),
    shape("remark as head", "# t CH1\n0 8.1\n0.0001 8.3\n0.0002 8.2\n", 1e-4, RAIL, doubt="seconds are taken"),
    shape("remark, commas", "% time,CH1\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL),
    shape("negative start", "t (s),CH1 (V)\n-0.0002,8.1\n-0.0001,8.3\n0,8.2\n", 1e-4, RAIL, start=-2e-4),
    # no heading
    shape("bare", "0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL, doubt="no unit is given: volts are taken"),
    shape("bare column", "8.1\n8.3\n8.2\n", 1e-4, RAIL, interval=1e-4),
    shape("bare, spaces", "0.0000   8.1\n0.0001   8.3\n0.0002   8.2\n", 1e-4, RAIL),
    # separators and decimal marks
    shape("semicolon", "Time (s);CH1 (V)\n0;8.1\n0.0001;8.3\n0.0002;8.2\n", 1e-4, RAIL),
    shape("decimal comma", "Zeit (s);CH1 (V)\n0;8,1\n0,0001;8,3\n0,0002;8,2\n", 1e-4, RAIL, understood="decimal comma"),
    shape("tab", "Time (s)\tCH1 (V)\n0\t8.1\n0.0001\t8.3\n0.0002\t8.2\n", 1e-4, RAIL),
    shape("tab, decimal comma", "t (s)\tCH1 (V)\n0\t8,1\n0,0001\t8,3\n0,0002\t8,2\n", 1e-4, RAIL),
    shape("bar", "t (s)|CH1 (V)\n0|8.1\n0.0001|8.3\n0.0002|8.2\n", 1e-4, RAIL),
    shape("spaces round", "t (s) , CH1 (V)\n 0.0000 ,  8.1\n 0.0001 ,  8.3\n 0.0002 ,  8.2\n", 1e-4, RAIL),
    shape("comma in quotes", '"t (s)","CH1 (V)"\n"0","8,1"\n"0,0001","8,3"\n"0,0002","8,2"\n', 1e-4, RAIL),
    shape("comma, one column", "CH1 (V)\n8,1\n8,3\n8,2\n", 1e-4, RAIL, interval=1e-4),
    shape("trailing separator", "Time (s),CH1 (V),\n0,8.1,\n0.0001,8.3,\n0.0002,8.2,\n", 1e-4, RAIL),
    shape("two trailing", "Time (s);CH1 (V);;\n0;8.1;;\n0.0001;8.3;;\n0.0002;8.2;;\n", 1e-4, RAIL),
    shape("thousands", 't (s),CH1 (mV)\n0,"8,100"\n0.0001,"8,300"\n0.0002,"8,200"\n', 1e-4, RAIL),
    shape("thousands points", "t (s);CH1 (mV)\n0;8.100,0\n0,0001;8.300,0\n0,0002;8.200,0\n", 1e-4, RAIL),
    shape("thousands marks", "t (s);CH1 (mV)\n0;8'100.0\n0.0001;8'300.0\n0.0002;8'200.0\n", 1e-4, RAIL),
    shape("real minus", "t (s);CH1 (V)\n−0.0002;8.1\n−0.0001;8.3\n0.0;8.2\n", 1e-4, RAIL, start=-2e-4),
    shape("exponents", "t (s),CH1 (V)\n0.0E+00,8.1E+00\n1.0E-04,8.3e0\n2.0E-04,+8.2E+0\n", 1e-4, RAIL),
    shape("exponents with D", "t (s),CH1 (V)\n0.0D+00,8.1D+00\n1.0D-04,8.3D0\n2.0D-04,8.2D0\n", 1e-4, RAIL),
    # line ends and encodings
    shape("CRLF", "t (s),CH1 (V)\r\n0,8.1\r\n0.0001,8.3\r\n0.0002,8.2\r\n", 1e-4, RAIL),
    shape("CR", "t (s),CH1 (V)\r0,8.1\r0.0001,8.3\r0.0002,8.2\r", 1e-4, RAIL),
    shape("no last newline", "t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2", 1e-4, RAIL),
    shape("UTF-8 mark", "\ufefft (µs),CH1 (V)\n0,8.1\n100,8.3\n200,8.2\n", 1e-4, RAIL),
    shape("UTF-16", "t (µs),CH1 (V)\n0,8.1\n100,8.3\n200,8.2\n".encode("utf-16"), 1e-4, RAIL, understood="UTF-16"),
    shape("UTF-16, no mark", "t (s),CH1 (V)\n0,8.1\n1e-4,8.3\n2e-4,8.2\n".encode("utf-16-be"), 1e-4, RAIL),
    shape("western", "t (µs);CH1 (V)\n0;8,1\n100;8,3\n200;8,2\n".encode("latin-1"), 1e-4, RAIL, understood="LATIN-1"),
    # longer heads
    shape("unit row", "Time,CH1,CH2\n(s),(V),(A)\n0,8.1,.5\n1e-4,8.3,.6\n2e-4,8.2,.4\n", 1e-4, TWO),
    shape("unit row, blank line", "Time,CH1\nms,mV\n\n0,8100\n0.1,8300\n0.2,8200\n", 1e-4, RAIL),
    shape(
        "keys above",
        "Model,Bench 2\nSource,CH1\nRecord Length,3\nSample Interval,1e-4\nVertical Units,V\n\n8.1\n8.3\n8.2\n",
        1e-4,
        RAIL,
        understood="from “Sample Interval” in line 4",
    ),
    shape("colons", "Channel: CH1\nSampling rate: 10 kSa/s\nUnit: V\n8.1\n8.3\n8.2\n", 1e-4, RAIL),
    shape("rate in Hz", "# fs = 10000 Hz\n8.1\n8.3\n8.2\n", 1e-4, RAIL),
    shape("rate in MHz", "Sample Rate (MHz),0.01\nCH1 (V)\n8.1\n8.3\n8.2\n", 1e-4, RAIL),
    shape("interval with its unit", "Time step;100;µs\nCH1 (V)\n8,1\n8,3\n8,2\n", 1e-4, RAIL),
    shape("keys for each channel", "Sample Interval,1e-4\nUnits,V,A\nCH1,CH2\n8.1,.5\n8.3,.6\n8.2,.4\n", 1e-4, TWO),
    shape(
        "keys beside the numbers",
        "Record Length,3,,0,8.1,\nSample Interval,1e-4,s,0.0001,8.3,\nVertical Units,V,,0.0002,8.2,\n,,,0.0003,8.2,\n"
        ",,,0.0004,8.2,\n",
        1e-4,
        {"CH1": ("V", [8.1, 8.3, 8.2, 8.2, 8.2])},
    ),
    shape(
        "start and increment below their names",
        "X,CH1,Start,Increment\nSequence,Volt,-2e-4,1e-4\n0,8.1,,\n1,8.3,,\n2,8.2,,\n",
        1e-4,
        RAIL,
        start=-2e-4,
    ),
    shape("index and time", "No,Time (s),CH1 (V)\n1,0,8.1\n2,0.0001,8.3\n3,0.0002,8.2\n", 1e-4, RAIL),
    shape("index and rate", "Rate: 10 kHz\nSample,CH1 (V)\n0,8.1\n1,8.3\n2,8.2\n", 1e-4, RAIL),
    shape("deep head", "remark, of no use\n" * 300 + "t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL),
    shape("lines to leave", "1,2\n3,4\n5,6\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", 1e-4, RAIL, skip=3),
    # gaps, marks, cut ends
    shape(
        "gaps", "t (s),CH1 (V)\n0,8.1\n0.0001,\n0.0002,8.2\n0.0003,NaN\n0.0004,--\n", 1e-4,
        {"CH1": ("V", [8.1, NAN, 8.2, NAN, NAN])}, doubt="3 of 5 samples missing",
    ),
    shape(
        "over range", "t (s),CH1 (V)\n0,8.1\n0.0001,OL\n0.0002,8.2\n0.0003,9.9E+37\n", 1e-4,
        {"CH1": ("V", [8.1, NAN, 8.2, NAN])}, doubt="2 readings over range",
    ),
    shape(
        "dropped sample", "t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0003,8.2\n0.0004,8.2\n", 1e-4,
        {"CH1": ("V", [8.1, 8.3, NAN, 8.2, 8.2])}, doubt="1 sample missing in 1 place",
    ),
    shape("cut in the last line", "t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2\n0.00", 1e-4, RAIL, doubt="cut short"),
    shape("words below", "t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2\nEnd of record\n", 1e-4, RAIL, doubt="ends the"),
    shape("remarks between", "t (s),CH1 (V)\n0,8.1\n# trigger\n0.0001,8.3\n\n0.0002,8.2\n", 1e-4, RAIL),
    shape("short head says more", "Points: 500\nt (s),CH1 (V)\n0,8.1\n1e-4,8.3\n2e-4,8.2\n", 1e-4, RAIL,
          doubt="says 500 samples, 3 are there"),
    # time printed too coarsely, and uneven
    shape(
        "coarse times", "t (s),CH1 (V)\n0.000,8.1\n0.000,8.3\n0.000,8.2\n0.001,8.2\n0.001,8.2\n0.001,8.1\n0.001,8.1\n"
        "0.001,8.1\n0.002,8.1\n0.002,8.1\n0.002,8.1\n0.002,8.1\n", 2e-4,
        {"CH1": ("V", [8.1, 8.3, 8.2, 8.2, 8.2, *[8.1] * 7])}, understood="printed too coarsely",
    ),
    # meter logs
    shape(
        "dates", "Date,Value (V)\n2026-11-25 10:32:01,8.1\n2026-11-25 10:32:02,8.3\n2026-11-25 10:32:03,8.2\n", 1.0,
        {"Value": ("V", [8.1, 8.3, 8.2])}, doubt="shows drift",
    ),
    shape(
        "date and clock apart", "25.11.2026;23:59:59;8,1 V\n26.11.2026;00:00:00;8,3 V\n26.11.2026;00:00:01;8200 mV\n",
        1.0, RAIL,
    ),
    shape("clock round midnight", "23:59:59,8.1,V,DC\n00:00:00,8.3,V,DC\n00:00:01,8.2,V,DC\n", 1.0, RAIL),
    shape("month first, half days", "11/25/2026 1:00:58 PM,8.1\n11/25/2026 1:00:59 PM,8.3\n11/25/2026 1:01:00 PM,8.2\n",
          1.0, RAIL),
    shape("unit column that changes", "time (s),CH1,unit\n0,8.1,V\n1,8300,mV\n2,8.2,V\n", 1.0, RAIL),
    shape("running clock", "00:00.0,8.1\n00:00.5,8.3\n00:01.0,8.2\n", 0.5, RAIL),
    # commas and spaces that could be read two ways
    shape("spaces, decimal comma", "CH1[V] CH2[A]\n8,100 500,00\n8,300 600,00\n8,200 400,00\n", 1e-4,
          {"CH1": ("V", [8.1, 8.3, 8.2]), "CH2": ("A", [0.5, 0.6, 0.4])}, interval=1e-4, scale={"CH2": 0.001}),
    shape("tabs, decimal comma", "CH1[V]\tCH2[A]\n8,10\t500,00\n8,30\t600,00\n8,20\t400,00\n", 1e-4,
          {"CH1": ("V", [8.1, 8.3, 8.2]), "CH2": ("A", [0.5, 0.6, 0.4])}, interval=1e-4, scale={"CH2": 0.001}),
    shape("whole numbers in two columns", "Rate: 10 kHz\nCH1,CH2\n(mV),(mA)\n8100,500\n8300,600\n8200,400\n", 1e-4,
          TWO),
    # columns that repeat, names that tell
    shape("a time for each channel", "t (s),CH1 (V),t (s),CH2 (A)\n0,8.1,0,.5\n1e-4,8.3,1e-4,.6\n2e-4,8.2,2e-4,.4\n",
          1e-4, TWO, understood="column 3 repeats the time"),
    shape("row label", "R,0,8.1\nR,0.0001,8.3\nR,0.0002,8.2\n", 1e-4, RAIL),
    shape("number, date, value and words", "1  2026/11/25 10:32:01  8.1 V DC\n2  2026/11/25 10:32:02  8.3 V DC\n"
          "3  2026/11/25 10:32:03  8.2 V DC\n", 1.0, RAIL),
    shape("names of a circuit simulator", "time\tV(out)\tI(R1)\n0\t8.1\t.5\n1e-4\t8.3\t.6\n2e-4\t8.2\t.4\n", 1e-4,
          {"V(out)": ("V", [8.1, 8.3, 8.2]), "I(R1)": ("A", [0.5, 0.6, 0.4])}),
    shape("channels A and B", "t,A,B\n0,8.1,8.1\n1e-4,8.3,8.3\n2e-4,8.2,8.2\n", 1e-4,
          {"A": ("V", [8.1, 8.3, 8.2]), "B": ("V", [8.1, 8.3, 8.2])}),
    shape("many keys, an index, milliseconds", "Wave: normal\nPoints: 3\nVertical scale: 2.00V\nCoupling: DC\n"
          "Time interval: 0.1mS\nIndex\tCH1 (mV)\n0\t8100\n1\t8300\n2\t8200\n", 1e-4, RAIL),
    shape("two records, the second left", "CH1\nRate: 10kS/s\n8.1\n8.3\n8.2\nCH2\n1\n2\n", 1e-4, RAIL, rows=(1, 3)),
    shape("two records, the second", "CH2\nRate: 10kS/s\n1\n2\nCH1\n8.1\n8.3\n8.2\n", 1e-4, RAIL, skip=5),
    shape("comma for both", "t (s),CH1 (V)\n0,0,8,1\n0,1,8,3\n0,2,8,2\n", 0.1,
          {"CH1": ("V", [0] * 3), "CH2": ("V", [0, 1, 2]), "CH3": ("V", [8] * 3), "CH4": ("V", [1, 3, 2])},
          interval=0.1, doubt="if the comma marks decimals too, these values are wrong"),
    shape("words of other languages", "Kanal;CH1\nEinheit;mV\nAbtastintervall;0,1;ms\n8100,0\n8300,0\n8200,0\n", 1e-4,
          RAIL),
    # raw codes
    shape(
        "codes with their size", "Sample Interval,1e-4\nY Mult,0.04\nY Off,28\nCH1\n" + "128\n130\n127\n" * 6, 1e-4,
        {"CH1": ("V", [4.0, 4.08, 3.96] * 6)}, understood="raw codes, 40",
    ),
    shape(
        "codes for a division", "Sample Interval,1e-4\nVertical Scale,2\nCH1\n" + "128\n178\n103\n" * 6, 1e-4,
        {"CH1": ("V", [0.0, 4.0, -2.0] * 6)}, codes_per_division=25.0, understood="25 to a division",
    ),
    shape(
        "codes without a size", "Sample Interval,1e-4\nVertical Scale,2\nCH1\n" + "128\n178\n103\n" * 6, 1e-4,
        {"CH1": ("", [128.0, 178.0, 103.0] * 6)}, doubt="say how many codes make a division",
    ),
    # what a person corrects
    shape("probe", "t (s),CH1 (V)\n0,0.81\n1e-4,0.83\n2e-4,0.82\n", 1e-4, RAIL, probe={"CH1": 10.0}),
    shape("units chosen", "t,a,b\n0,8100,.5\n1e-4,8300,.6\n2e-4,8200,.4\n", 1e-4,
          {"a": ("V", [8.1, 8.3, 8.2]), "b": ("A", [0.5, 0.6, 0.4])}, units={"a": "mV", 2: "A"}),
    shape("scale for all", "t (s),CH1 (V)\n0,-81\n1e-4,-83\n2e-4,-82\n", 1e-4, RAIL, scale={"*": -0.1}),
    shape("time unit chosen", "t,CH1 (V)\n0,8.1\n100,8.3\n200,8.2\n", 1e-4, RAIL, time_unit="µs"),
    shape("interval over the time", "t,CH1 (V)\n0,8.1\n1,8.3\n2,8.2\n", 1e-4, RAIL, interval=1e-4),
    shape("no time column", "5.0,8.1\n5.1,8.3\n5.2,8.2\n", 1e-4,
          {"CH1": ("V", [5.0, 5.1, 5.2]), "CH2": ("V", [8.1, 8.3, 8.2])}, time_column="none", interval=1e-4),
    shape("time in the second column", "8.1,0\n8.3,0.0001\n8.2,0.0002\n", 1e-4, RAIL, time_column=2),
    shape("one channel of two", "t [s],CH1 [V],CH2 [A]\n0,8.1,.5\n1e-4,8.3,.6\n2e-4,8.2,.4\n", 1e-4,
          {"CH2": ("A", [0.5, 0.6, 0.4])}, only=("ch2",)),
    shape("some rows", "t (s),CH1 (V)\n0,1\n0.0001,8.1\n0.0002,8.3\n0.0003,8.2\n0.0004,1\n", 1e-4, RAIL,
          rows=(2, 4), start=1e-4),
]  # fmt: skip
