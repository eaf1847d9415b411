"""The CAN side on the host: what the frames of a board mean, and a bus to read them from."""
