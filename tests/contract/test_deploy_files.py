"""Compose, container and systemd files: their form, their pins, and what they must not contain.

No container engine and no running systemd are needed: compose is held to the published schema, systemd
files to `systemd-analyze` where it is installed, the rest to rules of our own written here.
"""

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer.main
import yaml

from deploy.cli import app
from services.settings import Settings

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
COMPOSE = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
SERVICES = COMPOSE["services"]
OURS = ("setup", "ingest", "monitor", "notify", "web", "backup", "tools")
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))
PROGRAM = "/opt/bushlarder/.venv/bin/bushlarder"
MOST_EXPOSED = 2.0
"""Of `systemd-analyze security`'s ten; ours are at 1.4."""


def accepted(words):
    """Return whether the command line takes these words; nothing is run."""
    command = typer.main.get_command(app)
    context = command.context_class(command, info_name="bushlarder")
    while hasattr(command, "commands") and not words[0].startswith("-"):
        name, *words = words
        command = command.commands[name]
    return command.make_context(name, list(words), parent=context) is not None


def test_compose_fits_the_published_schema():
    done = subprocess.run(
        [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec",
         str(DEPLOY / "compose.yaml")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_everything_the_house_needs_is_there():
    assert SERVICES.keys() >= {"mosquitto", "influxdb", "postgres", "caddy", *OURS}
    for service in SERVICES.values():
        for other in service.get("depends_on", {}):
            assert other in SERVICES
        assert set(service.get("secrets", ())) <= COMPOSE["secrets"].keys()
        for volume in service.get("volumes", ()):
            source = volume.split(":")[0]
            assert source in COMPOSE["volumes"] or (DEPLOY / source).exists()


@pytest.mark.parametrize("name", SERVICES)
def test_images_are_pinned_to_a_version(name):
    tag = SERVICES[name]["image"].rpartition(":")[2]
    assert re.fullmatch(r"v?\d+\.\d+(\.\d+)?(-[a-z0-9.]+)?", tag), SERVICES[name]["image"]


@pytest.mark.parametrize("name", SERVICES)
def test_no_container_may_more_than_it_needs(name):
    service = SERVICES[name]
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert "privileged" not in service
    assert not any("docker.sock" in volume for volume in service.get("volumes", ()))
    if name == "caddy":  # cannot start without; see there
        assert service["cap_add"] == ["NET_BIND_SERVICE"]
    elif name not in {"influxdb", "postgres"}:  # their start gives files away, then they step down themselves
        assert not service["user"].startswith(("0", "root"))
        assert "cap_add" not in service
    if name != "influxdb":
        assert service["read_only"] is True


def test_no_secret_stands_in_the_file():
    for name, service in SERVICES.items():
        for key, value in service.get("environment", {}).items():
            if re.search(r"PASSWORD|TOKEN|SECRET|KEY", key):
                assert key.endswith("_FILE"), (name, key)
                assert str(value).startswith("/run/secrets/")
    assert all(set(secret) == {"file"} for secret in COMPOSE["secrets"].values())
    ignored = (DEPLOY.parent / ".gitignore").read_text(encoding="utf-8").split()
    assert "secrets/" in ignored, "what is made there must not be committed"


def test_only_the_broker_and_the_pages_are_reached_from_outside():
    published = {name: service["ports"] for name, service in SERVICES.items() if "ports" in service}
    assert published == {"mosquitto": ["8883:8883"], "caddy": ["80:80", "443:443"]}
    assert COMPOSE["networks"]["inside"] == {"internal": True}
    outside = {name for name, service in SERVICES.items() if "outside" in service.get("networks", ())}
    assert outside == {"mosquitto", "caddy"}
    away = {name for name, service in SERVICES.items() if "away" in service.get("networks", ())}
    assert away == {"notify"}, "who sends mail gets out, and nobody else"


def test_whatever_goes_on_running_is_looked_after():
    for name, service in SERVICES.items():
        if service["restart"] == "no" or name == "backup":
            continue
        assert service["healthcheck"]["test"], name
        assert service["logging"]["options"]["max-size"], name


@pytest.mark.parametrize("name", [name for name in OURS if "command" in SERVICES[name]])
def test_commands_and_checks_of_our_containers_are_commands_of_ours(name):
    service = SERVICES[name]
    assert accepted(service["command"])
    check = service.get("healthcheck", {}).get("test")
    if check is not None:
        assert check[:2] == ["CMD", "bushlarder"]
        assert accepted(check[2:])
        assert check[3] == name


def test_settings_of_our_containers_and_services_are_settings_of_ours():
    known = {f"BUSHLARDER_{name.upper()}" for name in Settings.model_fields}
    for name in OURS:
        assert set(SERVICES[name].get("environment", {})) <= known, name
    lines = (DEPLOY / "systemd" / "environment").read_text(encoding="utf-8").splitlines()
    named = {match[1] for line in lines if (match := re.match(r"#? ?(BUSHLARDER_\w+)=", line))}
    assert named
    assert named <= known


def test_the_image_is_small_pinned_and_not_root():
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.replace("\\\n", " ").splitlines() if line.strip()]
    steps = [line for line in lines if not line.startswith("#")]
    for step in steps:
        word, _, rest = step.partition(" ")
        if word == "FROM":
            assert re.match(r"\S+:\d+\.\d+\.\d+-slim\S*( AS \w+)?$", rest), step
        if "apt-get install" in rest:
            assert "--no-install-recommends" in rest
            assert "rm -rf /var/lib/apt/lists/*" in rest, "in the same step, or it stays in the image"
        if "pip install" in rest:
            assert "--no-cache-dir" in rest
        assert word not in {"ADD", "MAINTAINER"}
        assert not re.search(r"(?i)(password|token|secret)\s*=", step)
    users = [index for index, step in enumerate(steps) if step.startswith("USER ")]
    assert not steps[users[-1]].removeprefix("USER ").startswith(("0", "root"))
    assert users[-1] < next(index for index, step in enumerate(steps) if step.startswith("ENTRYPOINT "))
    uid = steps[users[-1]].removeprefix("USER ").split(":")[0]
    assert all(SERVICES[name]["user"].startswith(f"{uid}:") for name in OURS), "whose files they are"
    for copied in (step.split()[1:-1] for step in steps if step.startswith("COPY ") and "--from" not in step):
        assert all((DEPLOY.parent / source).exists() for source in copied)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_services_start_what_exists_and_nothing_as_root(unit):
    text = unit.read_text(encoding="utf-8")
    words = shlex.split(re.search(r"^ExecStart=(.*)$", text, re.MULTILINE)[1])
    if words[0] == PROGRAM:
        assert accepted(words[1:])
    else:
        assert words == ["/usr/sbin/mosquitto", "-c", "/var/lib/bushlarder/broker-files/mosquitto.conf"]
    assert "\nUser=bushlarder\n" in text
    assert "EnvironmentFile=-/etc/bushlarder/environment" in text or words[0] != PROGRAM


@pytest.fixture
def analyse(tmp_path):
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed")
    for file in (DEPLOY / "systemd").iterdir():
        # The programs need not be installed for the files to be read.
        text = file.read_text(encoding="utf-8").replace(PROGRAM, "/bin/true")
        (tmp_path / file.name).write_text(text.replace("/usr/sbin/mosquitto", "/bin/true"))

    def run(*words):
        return subprocess.run(
            [program, *words], cwd=tmp_path, capture_output=True, text=True, check=False,
            env={"SYSTEMD_UNIT_PATH": f"{tmp_path}:", "PATH": "/usr/bin:/bin", "LANG": "C"},
        )  # fmt: skip

    return run


def test_systemd_reads_its_files_without_complaint(analyse):
    files = [
        file.name
        for file in (DEPLOY / "systemd").iterdir()
        if file.suffix in {".service", ".timer", ".target"}
    ]
    done = analyse("verify", *files)
    ours = [line for line in done.stderr.splitlines() if "bushlarder" in line]
    assert (done.returncode, ours) == (0, [])


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_services_are_shut_in(analyse, unit):
    done = analyse("security", "--offline=true", "--no-pager", unit.name)
    level = re.search(r"exposure level for .*: ([\d.]+)", done.stdout)
    assert level is not None, done.stderr
    assert float(level[1]) <= MOST_EXPOSED


def test_logs_do_not_grow_for_ever():
    text = (DEPLOY / "systemd" / "journald-bushlarder.conf").read_text(encoding="utf-8")
    assert re.search(r"^SystemMaxUse=\d+M$", text, re.MULTILINE)


def test_secrets_made_as_the_file_says_can_be_read_by_the_accounts_of_containers_and_by_nobody_else(tmp_path):
    head = (DEPLOY / "compose.yaml").read_text(encoding="utf-8").split("name: bushlarder")[0]
    making = [
        line.removeprefix("#").strip() for line in head.splitlines() if re.match(r"# +(mkdir|openssl) ", line)
    ]
    assert len(making) == 4
    script = " && ".join(making).replace("openssl rand -hex 32", "printf abc")
    subprocess.run(["sh", "-c", script], cwd=tmp_path, check=True)
    folder = tmp_path / "secrets"
    assert folder.stat().st_mode & 0o777 == 0o700
    made = {file.name: file.stat().st_mode & 0o777 for file in folder.iterdir()}
    assert made == dict.fromkeys(("influx_token", "influx_password", "postgres_password"), 0o644)
    assert COMPOSE["secrets"].keys() == made.keys()


def test_no_container_hangs_on_the_network_of_another():
    assert not any("network_mode" in service for service in SERVICES.values())
    settings = SERVICES["ingest"]["environment"]
    assert settings["BUSHLARDER_BROKER_URL"] == "mqtts://mosquitto:8883"
    head = (DEPLOY / "compose.yaml").read_text(encoding="utf-8").split("name: bushlarder")[0]
    assert "--host mosquitto " in head, "the broker's certificate must be for this name"
    for name in ("ingest", "tools"):
        assert any(volume.startswith("broker:/srv/broker") for volume in SERVICES[name]["volumes"])


def test_doctor_looks_where_backups_are_put():
    words = SERVICES["backup"]["command"]
    to = words[words.index("--to") + 1]
    assert SERVICES["tools"]["environment"]["BUSHLARDER_BACKUP_TO"] == to
    assert any(volume.endswith(to) for volume in SERVICES["tools"]["volumes"])


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_a_service_that_fails_is_started_again_however_often(unit):
    text = unit.read_text(encoding="utf-8")
    if "Type=oneshot" not in text:
        assert "\nRestart=on-failure\n" in text
        assert "\nStartLimitIntervalSec=0\n" in text.split("[Service]")[0]


def test_commands_by_hand_see_the_settings_of_the_services():
    """What stands only in the environment of services, `doctor` by hand would not know."""
    text = (DEPLOY / "systemd" / "bushlarder.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text).keys() == {"broker_url", "broker_folder"}
    lines = (DEPLOY / "systemd" / "environment").read_text(encoding="utf-8").splitlines()
    assert all(line.startswith("#") for line in lines)
    assert "deploy/systemd/bushlarder.toml /var/lib/bushlarder/bushlarder.toml" in (
        DEPLOY / "UPGRADING.md"
    ).read_text(encoding="utf-8")
