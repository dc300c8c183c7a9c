"""What tests of commands share."""

import subprocess
import sys

import pytest

from deploy import cli


@pytest.fixture
def here(monkeypatch, capsys):
    """Runs a command without a process of its own, which would load everything anew each time."""

    def run_here(*arguments):
        monkeypatch.setattr(sys, "argv", ["bushlarder", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capsys.readouterr()
        return subprocess.CompletedProcess(arguments, ended.value.code or 0, said.out, said.err)

    return run_here
