"""The host's end of the serial link: ports, requests, answers, and what is remembered of a board. Prints nothing."""
