"""What the simulate command does: live against a broker, into files, or a picture of one day."""

import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from deploy.simulate_files import write_files
from deploy.simulate_picture import draw_day
from firmware_sim.firmware.address import BrokerAt
from firmware_sim.run import run_fleet
from firmware_sim.scenarios.load import Scenario, load_scenario
from services.clock import now_ms
from services.errors import ConfigurationError
from services.timebase import DAY_MS, SECOND_MS, ms_of, ms_of_iso

LIBRARY = Path(__file__).resolve().parents[1] / "firmware_sim" / "scenarios"


def library() -> list[str]:
    """Return the names of the scenarios that come with the project."""
    return sorted(path.stem for path in LIBRARY.glob("*.toml") if not path.stem.endswith("_fleet"))


def _path_of(scenario: Path) -> Path:
    """Return a scenario's file, given as one or by its name in the library."""
    named = LIBRARY / f"{scenario}.toml"
    if scenario.exists() or not named.is_file() or scenario.name != str(scenario):
        return scenario
    return named


@dataclass(frozen=True)
class Job:
    """A scenario and the stretch of time asked for."""

    scenario: Scenario
    days: float
    end_ms: int | None
    """None is the present."""

    @staticmethod
    def of(scenario: Path, *, units: int | None, days: float | None, end: str | None) -> "Job":
        """Return a job from what was asked on the command line.

        Raises
        ------
        ConfigurationError
            If scenario, fleet file or end cannot be used.
        """
        loaded = load_scenario(_path_of(scenario), units=units)
        try:
            end_ms = None if end is None else ms_of_iso(end)
        except ValueError as error:
            raise ConfigurationError(str(error), setting="--end") from error
        return Job(loaded, loaded.days if days is None else days, end_ms)

    def stretch_ms(self) -> tuple[int, int]:
        """Return begin and end of what is written or drawn, on whole minutes."""
        if self.end_ms is not None:
            end_ms = self.end_ms
        elif self.scenario.ends is not None:
            end_ms = ms_of(self.scenario.ends)
        else:
            end_ms = now_ms()
        end_ms -= end_ms % 60_000
        start_ms = end_ms - round(self.days * DAY_MS)
        if end_ms - start_ms < 60_000:  # noqa: PLR2004 - a minute
            raise ConfigurationError("less than a minute", setting="--days")
        return start_ms, end_ms


def files(job: Job, folder: Path, *, run_out_every_h: float | None) -> str:
    """Write logs, unit files and truth; returns what was written, in words."""
    start_ms, end_ms = job.stretch_ms()
    begun_s = time.monotonic()
    done = write_files(
        job.scenario,
        folder,
        start_ms=start_ms,
        end_ms=end_ms,
        run_out_every_h=run_out_every_h,
        say=lambda words: print(words, file=sys.stderr),
    )
    took_s, simulated_s = time.monotonic() - begun_s, (end_ms - start_ms) / SECOND_MS
    return (
        f"{done.units} units, {done.rows} samples, CSV and Parquet, truth.json: {done.folder}\n"
        f"simulated {simulated_s:,.0f} s in {took_s:,.0f} s: "
        f"{simulated_s / took_s:,.0f} times as fast as it happens"
    )


def picture(job: Job, file: Path, *, unit: str | None) -> str:
    """Draw the last day of one unit; returns what was drawn, in words."""
    start_ms, end_ms = job.stretch_ms()
    name = job.scenario.unit_ids[0] if unit is None else unit
    if name not in job.scenario.unit_ids:
        raise ConfigurationError(f"no such unit: {name}", setting="--unit")
    draw_day(job.scenario, name, file, start_ms=start_ms, end_ms=end_ms)
    return f"{name}: {file}"


def live(job: Job, broker: BrokerAt, *, state: Path | None, speed: float | None) -> None:
    """Run the fleet against a broker until stopped."""
    from deploy import lodge_box, wiring  # noqa: PLC0415 - the web stack is not needed for files
    from services.logs import start_logs  # noqa: PLC0415

    start_logs("fleet", "info")
    with tempfile.TemporaryDirectory(prefix="bushlarder-fleet-") as forgotten:
        folder = Path(forgotten) if state is None else state
        run_fleet(
            job.scenario,
            broker,
            state_dir=folder,
            history_days=job.days,
            stop=wiring.stop_event(),
            progress=lodge_box.write_progress(folder / "progress.json"),
            speed=speed,
            now_ms=now_ms,
        )
