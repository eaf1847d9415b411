"""The device package: what runs on the board, and unchanged on the host."""

VERSION = "0.1.0"  # that of pyproject.toml
