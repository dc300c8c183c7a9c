"""Write the published schemas beside the code that makes them: `python -m tests.helpers.write_schemas`."""

from pathlib import Path

from services.telemetry.publish import texts

FOLDER = Path(__file__).resolve().parents[2] / "services/telemetry/schemas"

if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, text in texts().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
