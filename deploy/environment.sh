# Sourced by deploy/demo and deploy/test: an own Python environment beside the project.
# make_environment EXTRA [OPTION...]    EXTRA is "" or "test"; the options are pip's

find_python() {
    for name in python3.13 python3.12 python3.11 python3.14 python3 python; do
        command -v "$name" >/dev/null 2>&1 || continue
        if "$name" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            command -v "$name"
            return 0
        fi
    done
    return 1
}

make_environment() {
    extra=$1
    shift
    environment=$project/.venv
    if [ ! -x "$environment/bin/python" ]; then
        python=$(find_python) || {
            echo "Bushlarder needs Python 3.11 or newer with venv (Debian: apt install python3-venv)." >&2
            exit 2
        }
        echo "Making a Python environment with $("$python" --version) ..."
        "$python" -m venv "$environment"
    fi
    wanted=$(cat "$project/pyproject.toml" | cksum | tr ' ' '-')
    stamp=$environment/.bushlarder-${extra:-run}
    if [ ! -f "$stamp" ] || [ "$(cat "$stamp")" != "$wanted" ]; then
        echo "Installing what Bushlarder needs${extra:+ and its $extra tools} (one to five minutes the first time) ..."
        "$environment/bin/python" -m pip install --disable-pip-version-check --progress-bar on "$@" \
            --editable "$project${extra:+[$extra]}" | grep --line-buffered -E '^(Collecting|Installing|Successfully|Building)' || true
        "$environment/bin/python" -c 'import deploy.cli' || {
            echo "The installation did not finish; the lines above say why." >&2
            exit 2
        }
        printf '%s' "$wanted" > "$stamp"
        echo "Installed."
    fi
}
