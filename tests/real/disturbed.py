#!/usr/bin/env python3
"""Checks that accounts stay exact when real registers get faults that these twenty households did not have.

    tests/real/disturbed.py TICKLEDGERD [--file FILE] [--seed N]

Each household's readings are disturbed in every way below, each as a meter of its own. One replay books them
all. The seed is fixed, so every run gives the same result. Exit 0: each account is exact, or shows where it
cannot be. 1: at least one is not; each is printed.
"""
import argparse
import json
import pathlib
import random
import sys
import tempfile
from datetime import timedelta

import registers
from registers import Reading

SECOND, HOUR, DAY = timedelta(seconds=1), timedelta(hours=1), timedelta(days=1)

# The forms in which a register may be sent: how litres become the value, the meter's settings, and the litres
# a tick.
FORMS = {
    "counter": (lambda litres: str(litres), registers.COUNTER, 1),
    "litres": (lambda litres: str(litres), registers.VOLUME, 1),
    "text": (lambda litres: '"%07d.%03d"' % divmod(litres, 1000),
             'message = "volume"\nfields = { volume = "/litres" }\npulse_value = "1 L"\ncounter_bits = 0', 1),
    "coarse": (lambda litres: '"%d.%02d"' % (litres // 1000, litres % 1000 // 10),
               'message = "volume"\nfields = { volume = "/litres" }\npulse_value = "10 L"\ncounter_bits = 0', 10),
    "fine": (lambda litres: '"%d.%03d7"' % divmod(litres, 1000),
             'message = "volume"\nfields = { volume = "/litres" }\npulse_value = "0.1 L"\ncounter_bits = 0', 0.1),
    "rolling": (lambda litres: '"%03d.%03d"' % divmod(litres % 100_000, 1000),
                'message = "volume"\nfields = { volume = "/litres" }\npulse_value = "1 L"\ncounter_bits = 0\n'
                'rolls_over_at = "100 m3"', 1),
}
CONFIGURATION = registers.CONFIGURATION[:registers.CONFIGURATION.index("[[meter]]")]
METER = """
[[meter]]
id = "{name}-{{1}}"
topic = "{name}/+"
{form}
q3 = "2.5 m3/h"
cadence = "1h"
[meter.alarms]
silent_after = "5h"
"""


def clean(readings):
    """Whole litres that never fall, about an hour apart and within the meter's largest flow, so that this
    test adds the only disturbances."""
    kept = []
    for reading in readings:
        litres = int(float(reading.text))
        if kept and (reading.at < kept[-1].at + HOUR / 2 or litres < kept[-1].litres):
            continue
        if kept and litres - kept[-1].litres > 2000 * ((reading.at - kept[-1].at) / HOUR):
            continue
        kept.append(Told(reading.at, litres))
    return kept


class Told(Reading):
    """A reading with its time of arrival, by default a second after it was read."""

    def __init__(self, at, litres, arrives=None):
        super().__init__(at, str(litres))
        self.litres = litres
        self.arrives = arrives or at + SECOND


# Each of these returns the readings as they are sent, and the pieces (first and last reading) whose advance
# the account must hold. There is one piece unless another register comes in between.

def as_it_is(readings, _):
    return readings, [(readings[0], readings[-1])]


def with_holes(readings, chance):
    kept = [one for one in readings[1:-1] if chance.random() < 0.6]
    return as_it_is([readings[0], *kept, readings[-1]], chance)


def told_twice(readings, chance):
    """The repeat arrives at once, hours later or days later."""
    again = [Told(one.at, one.litres, one.arrives + chance.choice([SECOND, 3 * HOUR, 2 * DAY]))
             for one in readings if chance.random() < 0.5]
    return readings + again, [(readings[0], readings[-1])]


def out_of_order(readings, chance):
    moved = [Told(one.at, one.litres, one.arrives + chance.random() * 8 * HOUR)
             if 0 < place < len(readings) - 9 and chance.random() < 0.3 else one
             for place, one in enumerate(readings)]
    return moved, [(moved[0], moved[-1])]


def runs_back_and_stays(readings, chance):
    back, told = 0, []
    for place, one in enumerate(readings):
        if 0 < place < len(readings) - 3 and chance.random() < 0.03:
            back += chance.randint(1, 50)
        told.append(Told(one.at, one.litres - back))
    return as_it_is(told, chance)


def runs_back_and_recovers(readings, chance):
    told = [Told(one.at, one.litres - (chance.randint(1, 50) if chance.random() < 0.05 else 0))
            for one in readings[1:-2]]
    return as_it_is([readings[0], *told, *readings[-2:]], chance)


def trembles(readings, chance):
    """The register goes back and forth by a few litres, hour after hour."""
    told = [Told(one.at, one.litres + chance.randint(-4, 4)) for one in readings[1:-2]]
    return as_it_is([readings[0], *told, *readings[-2:]], chance)


def stuck(readings, chance):
    """The register shows the same for hours and then jumps to the true value."""
    told, shown, left = [], readings[0].litres, 0
    for one in readings[:-2]:
        left = left - 1 if left > 0 else chance.randint(2, 12) if chance.random() < 0.05 else 0
        shown = shown if left > 0 else one.litres
        told.append(Told(one.at, shown))
    return as_it_is(told + readings[-2:], chance)


def wrong_digits(readings, chance):
    told = [Told(one.at, one.litres + chance.choice([-10**5, 10**5, 10**6, -10**4])
                 if place % 3 == 1 and chance.random() < 0.1 else one.litres)
            for place, one in enumerate(readings[:-2])]
    return as_it_is(told + readings[-2:], chance)


def swapped(readings, _):
    """Half way, another meter takes its place and starts at 3 L. Nobody knows how much ran in between."""
    half = len(readings) // 2
    first = readings[half].litres
    told = readings[:half] + [Told(one.at, one.litres - first + 3) for one in readings[half:]]
    return told, [(told[0], told[half - 1]), (told[half], told[-1])]


def another_register(readings, _):
    """Four readings in a row are those of another household. The water that ran meanwhile is unseen."""
    half = len(readings) // 2
    others = [Told(one.at, one.litres + 248_000) for one in readings[half:half + 4]]
    told = readings[:half] + others + readings[half + 4:]
    return told, [(told[0], told[half - 1]), (others[0], others[-1]), (told[half + 4], told[-1])]


def in_one_go(readings, chance):
    """Now and then the network is away for a day. Then all readings arrive within a minute, oldest first."""
    told, until = [], None
    for one in readings:
        if until is None and chance.random() < 0.02:
            until = one.at + DAY
        if until is not None and one.at < until and one is not readings[-1]:
            told.append(Told(one.at, one.litres, until + (one.at - until + DAY) / 1440))
        else:
            until = None
            told.append(one)
    return told, [(told[0], told[-1])]


def on_the_clock_of_the_wall(readings, _):
    """Its clock is an hour ahead from 1 November on, as if it had not been set back."""
    late = [one for one in readings if (one.at.month, one.at.day) >= (11, 1) or one.at.year > 2016]
    told = [Told(one.at + HOUR, one.litres, one.arrives) if one in late else one for one in readings]
    return told, [(told[0], told[-1])]


DISTURBANCES = [as_it_is, with_holes, told_twice, out_of_order, runs_back_and_stays, runs_back_and_recovers,
                trembles, stuck, wrong_digits, swapped, another_register, in_one_go, on_the_clock_of_the_wall]


def plan_of(households, seed):
    """For each meter: its form, its readings, and the pieces that its account must hold."""
    plan = {}
    for number, readings in households.items():
        readings = clean(readings)
        for disturb in DISTURBANCES:
            for form in FORMS:
                if form == "rolling" and disturb in (swapped, wrong_digits, another_register):
                    continue  # A register that falls may have rolled over.
                chance = random.Random(f"{seed} {number} {disturb.__name__}")
                told, pieces = disturb(readings, chance)
                plan[f"{form}-{disturb.__name__.replace('_', '-')}-{number}"] = (form, told, pieces)
    return plan


def ticks_of(litres_before, litres_after, litres_a_tick):
    """The difference in whole pulse values: each reading is rounded down before the subtraction. A digit
    below a litre is always 7 here (FORMS)."""
    if litres_a_tick < 1:
        return round((litres_after - litres_before) / litres_a_tick)
    return litres_after // litres_a_tick - litres_before // litres_a_tick


def write_recording(plan, file):
    lines = []
    for meter, (form, told, _) in plan.items():
        for place, one in enumerate(told):
            payload = '{"litres":%s,"time":"%s"}' % (FORMS[form][0](one.litres), one.at.isoformat())
            tst = one.arrives.isoformat().replace("+00:00", "Z")
            topic = meter.replace("-", "/", 1)
            lines.append((one.arrives, place, json.dumps({"tst": tst, "qos": 1, "topic": topic,
                                                          "payload": payload})))
    lines.sort(key=lambda line: line[:2])
    file.write_text("".join(line + "\n" for *_, line in lines))


def check_meter(meter, planned, ledger):
    form, _, pieces = planned
    everything = "from=2000-01-01&to=2030-01-01"
    entries = ledger.ask(f"/v1/meters/{meter}/ledger?{everything}")["entries"]
    booked = sum(entry["ticks"] or 0 for entry in entries)
    expected = sum(ticks_of(first.litres, last.litres, FORMS[form][2]) for first, last in pieces)
    presets = sum(entry["kind"] == "preset" for entry in entries)
    held = sum(entry["kind"] == "held" for entry in entries)
    faults = []
    if booked != expected:
        faults.append(f"{meter}: {booked} ticks are booked, but the register advanced by {expected}; "
                      f"{presets} presets, {held} held")
    if presets != len(pieces) - 1:
        faults.append(f"{meter}: {presets} presets instead of {len(pieces) - 1}")
    years = ledger.ask(f"/v1/meters/{meter}/usage?step=year&{everything}")["rows"]
    if sum(row["ticks"] or 0 for row in years) != booked:
        faults.append(f"{meter}: the years' rows and the entries hold different numbers of ticks")
    return faults


def check(program, file, seed):
    plan = plan_of(registers.read_households(file), seed)
    with tempfile.TemporaryDirectory(prefix="disturbed-") as name:
        directory = pathlib.Path(name)
        text = CONFIGURATION.format(directory=directory)
        text += "".join(METER.format(name=form, form=settings) for form, (_, settings, _) in FORMS.items())
        (directory / "tickledger.toml").write_text(text)
        recording = directory / "recording.jsonl"
        write_recording(plan, recording)
        registers.replay(program, directory, recording)
        with registers.Ledger(program, directory) as ledger:
            faults = [fault for meter, planned in plan.items() for fault in check_meter(meter, planned, ledger)]
    litres = sum(last.litres - first.litres for _, _, pieces in plan.values() for first, last in pieces)
    print(f"{len(plan)} meters, {len(DISTURBANCES)} disturbances, {litres} L, {len(faults)} faults")
    for fault in faults:
        print("WRONG: " + fault)
    return 1 if faults else 0


def main():
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--file", type=pathlib.Path, help="this file of readings")
    parser.add_argument("--seed", type=int, default=1)
    order = parser.parse_args()
    return check(order.program, order.file or registers.HERE / "excerpt.csv", order.seed)


if __name__ == "__main__":
    sys.exit(main())
