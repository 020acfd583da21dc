# Runs in MicroPython: steps the controller over runs of inputs and prints what came out.
#
# words.bin holds signed 32-bit words: for each case the number of its image file and of its ticks, then for
# each tick eleven words for step, the number of events after it and their cylinders.
#
# The heap is looked at once a block, since that walks all of it; between two looks nothing here allocates.
import array
import gc
import sys

sys.path.insert(0, "/")
from controller import Controller

BLOCK = 250

file = open("/words.bin", "rb")  # noqa: SIM115
words = array.array("i", file.read())
file.close()


def mix(seen, value):
    return (seen * 61 + value) & 0xFFFFFF


def run_block(made, at, ticks, seen):
    """Step over some ticks; leaves where it stopped in place[0] and what was seen in place[1]."""
    step = made.step
    command = made.command
    for _ in range(ticks):
        step(
            words[at], words[at + 1], words[at + 2], words[at + 3], words[at + 4], words[at + 5],
            words[at + 6], words[at + 7], words[at + 8], words[at + 9], words[at + 10],
        )  # fmt: skip
        due = words[at + 11]
        at += 12
        bits = 0
        for i in range(due):
            cylinder = words[at + i]
            bits = (bits * 16 + made.event(cylinder) * 4 + made.spark(cylinder)) & 0xFFFF
        at += due
        seen = mix(seen, command.reduction)
        seen = mix(seen, command.retard)
        seen = mix(seen, command.reason)
        seen = mix(seen, command.askers)
        seen = mix(seen, made.faults)
        seen = mix(seen, made.lift.value)
        seen = mix(seen, made.reduction.demand)
        seen = mix(seen, bits)
    place[0] = at
    place[1] = seen


def growth(ticks):
    before = gc.mem_alloc()
    run_block(controller, place[0], ticks, place[1])
    return gc.mem_alloc() - before


place = [0, 0]
while place[0] < len(words):
    number = words[place[0]]
    left = words[place[0] + 1]
    place[0] += 2
    place[1] = 0
    file = open("/image%d.bin" % number, "rb")  # noqa: SIM115, UP031
    image = file.read()
    file.close()
    controller = Controller()
    verdict = controller.load(image)
    while left:
        ticks = min(left, BLOCK)
        gc.collect()
        gc.disable()
        grown = -growth(0)  # of the call itself
        grown += growth(ticks)
        gc.enable()
        left -= ticks
        print(number, verdict, left, place[1], controller.digest(), "heap", grown)  # noqa: T201
