"""The commands, one module per group; imports stand inside them so that `--help` loads no web stack."""
