"""The device package: what runs on the board, and unchanged on the host."""
