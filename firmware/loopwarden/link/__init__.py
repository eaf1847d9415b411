"""The serial console: plain words for people, one JSON object a line for programs. Asks and reads; decides nothing."""
