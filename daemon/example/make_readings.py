"""Makes readings.csv: ten-minute readings of an invented night, by a smooth formula and no chance.

Logger L1 (bed B1) has a clock; its link is down from 03:00 to 04:00 UTC and it sends the missed
readings at 04:00:30. Logger L2 (bed B2) has no clock; the wire of L2-02 is cut from 05:00 UTC on.
"""
import datetime as dt
import math

START = dt.datetime(2026, 1, 20, 21, 30)
STEP = dt.timedelta(minutes=10)
# Channel: temperature at placement, highest rise, and the hour after START at which it is half way.
CONCRETE = {
    "L1-01": (19.0, 36.0, 5.5), "L1-02": (18.5, 34.0, 5.8), "L1-03": (18.0, 28.0, 6.4),
    "L2-01": (18.0, 33.0, 6.6), "L2-02": (17.5, 29.0, 7.2),
}
AIR = {"L1-04": (12.0, 46.0, 4.2), "L2-03": (11.0, 42.0, 5.2)}
SPECIMEN = {"L1-05": (17.5, 22.0, 6.9)}


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def value(start, rise, half_h, hours):
    # A slow swing keeps every channel moving, as real ones do.
    swing = 0.2 * math.sin(1.7 * hours + half_h)
    return round(start + rise / (1 + math.exp(-1.1 * (hours - half_h))) + swing, 2)


def main():
    rows = []
    for step in range(0, 91):
        at = START + step * STEP
        for channel, shape in {**CONCRETE, **AIR, **SPECIMEN}.items():
            text = f"{value(*shape, step / 6):.2f}"
            clocked = channel.startswith("L1")
            received = at + dt.timedelta(seconds=4)
            if clocked and 3 <= at.hour < 4:
                received = at.replace(hour=4, minute=0, second=30)
            if channel == "L2-02" and 5 <= at.hour < 20:
                text = "open"
            rows.append((received, stamp(at) if clocked else "", channel, text))
    # In order of receipt, as the daemon exports them.
    rows.sort(key=lambda row: row[0])
    with open("readings.csv", "w", encoding="utf-8", newline="\n") as out:
        out.write("received_at,measured_at,channel,value\n")
        for received, measured, channel, text in rows:
            out.write(f"{stamp(received)},{measured},{channel},{text}\n")


if __name__ == "__main__":
    main()
