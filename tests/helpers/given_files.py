"""A certificate, its key and its root as files that somebody brings along."""

from pathlib import Path

from deploy.certificates import Pair


def given_files(folder: Path, pair: Pair, root: bytes) -> list[Path]:
    found = [folder / name for name in ("given.crt", "given.key", "root.crt")]
    for file, content in zip(found, (pair.certificate, pair.key, root), strict=True):
        file.write_bytes(content)
        file.chmod(0o600)
    return found
