"""What a unit does when it is asked: a closed list, and nothing that could warm the food."""

from firmware_sim.firmware.ring import Records
from firmware_sim.firmware.unit import Firmware
from services.telemetry.messages import BackfillArgs, Command, CommandReply, SetArgs

WARM_ABOVE_SET_POINT_K = 2.0
"""A unit this far above its set point does not take itself out of service. [K] Judgement."""

GONE_NAMED = 64
"""Most stretches in one reply (contract)."""

Stretch = tuple[int, int]
"""Ring indexes ``[start, end)``."""


def obey(firmware: Firmware, command: Command, *, now_ms: int) -> tuple[CommandReply, list[Stretch]]:
    """Return the reply, and what to send again; a reboot has happened when this returns."""
    match command.args:
        case BackfillArgs() as asked:
            return _backfill(firmware, asked)
        case SetArgs() as asked:
            return _set_interval(firmware, asked.interval_s), []
        case _:
            pass
    if command.name == "status":
        return CommandReply(name="status", result="done", detail=f"bid {firmware.bid}"), []
    if command.name == "reboot":
        return _reboot(firmware, now_ms), []
    return CommandReply(name=command.name, result="refused", detail="not in this firmware"), []


def _backfill(firmware: Firmware, asked: BackfillArgs) -> tuple[CommandReply, list[Stretch]]:
    found = firmware.ring.find(bid=asked.bid, first_sq=asked.from_sq, last_sq=asked.to_sq)
    gone = _absent(found, asked)
    result = "done" if found.size else "gone"
    reply = CommandReply.model_validate(
        {"name": "backfill", "result": result, "gone": tuple(gone[:GONE_NAMED])}
    )
    return reply, _runs(found)


def _absent(found: Records, asked: BackfillArgs) -> list[BackfillArgs]:
    """Return the numbers asked for that are not there, as stretches."""
    gone, expected = [], asked.from_sq
    for sq in [*found["sq"].tolist(), asked.to_sq + 1]:
        if sq > expected:
            gone.append(BackfillArgs(bid=asked.bid, from_sq=expected, to_sq=sq - 1))
        expected = sq + 1
    return gone


def _runs(found: Records) -> list[Stretch]:
    """Return where the records lie, as runs without a hole."""
    runs: list[Stretch] = []
    for index in found["index"].tolist():
        if runs and runs[-1][1] == index:
            runs[-1] = (runs[-1][0], index + 1)
        else:
            runs.append((index, index + 1))
    return runs


def _set_interval(firmware: Firmware, interval_s: int) -> CommandReply:
    if interval_s % firmware.build.step_s:
        detail = f"whole multiples of {firmware.build.step_s} s only"
        return CommandReply(name="set", result="refused", detail=detail)
    firmware.set_interval(interval_s)
    return CommandReply(name="set", result="done")


def _reboot(firmware: Firmware, now_ms: int) -> CommandReply:
    volts, cabinet_c = firmware.last.get("battery"), firmware.last.get("cabinet")
    build = firmware.build
    if volts is not None and not volts >= build.restart_v:
        return CommandReply(name="reboot", result="refused", detail="battery below cut-in or not known")
    if cabinet_c is None or not cabinet_c <= build.set_point_c + WARM_ABOVE_SET_POINT_K:
        return CommandReply(name="reboot", result="refused", detail="cabinet is warm or not known")
    firmware.reboot(now_ms, "asked for")
    return CommandReply(name="reboot", result="done")
