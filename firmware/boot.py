# Outputs off before anything else runs, also after a soft reset, which leaves pins as they were. No import that can
# fail: a mistake here is beyond the reach of any console. GPIO15 is left alone, USB borrows it.
from machine import Pin

for _gpio in (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 17, 18, 19, 20, 21, 22, 26, 27, 28):
    Pin(_gpio, Pin.IN)
if Pin(20).value():
    # Service switch. What fails here keeps main.py from running, whatever state that is in: the prompt, outputs off.
    raise Exception("service switch: main.py does not run")
