"""Cut the power at every byte of a write to the node's flash, start again, and say what is left."""

import json
import os

from ring import Ring

VALUES = [1723, None, -50, 100, 32767]


def emptied(folder):
    for name in os.listdir(folder):
        os.remove(folder + "/" + name)


answers = []
for cut in range(33):
    ring = Ring("flash", 4)
    for i in range(5):
        ring.append(1000 + i, VALUES)
    (name,) = os.listdir("flash")
    with open("flash/" + name, "rb") as file:
        whole = file.read()
    with open("flash/" + name, "wb") as file:
        file.write(whole[: 4 * 32 + cut])
    again = Ring("flash", 4)
    again.append(2000, VALUES)
    held = []
    while len(again):
        some = again.oldest(8)
        held += some
        again.drop(len(some))
    answers.append([at_s for at_s, values in held if values == VALUES + [None] * 3])
    emptied("flash")

full = Ring("flash", 3)
for i in range(3 * 128 + 1):
    full.append(i, [i])
oldest = full.oldest(1)[0][0]
full.drop(200)
print(json.dumps({"cuts": answers, "oldest": oldest, "lost": full.lost, "after": full.oldest(1)[0][0], "left": len(full)}))
