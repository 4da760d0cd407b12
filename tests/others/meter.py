"""pyloudnorm's integrated loudness of float WAV files (samples from byte 68 on): lines `path rate channels` on
standard input, one number a line out. One channel is measured as two; the LFE channel of six is left out."""
import sys

import numpy
import pyloudnorm

for line in sys.stdin:
    path, rate, channels = line.rstrip("\n").rsplit(" ", 2)
    x = numpy.fromfile(path, dtype="<f4", offset=68).astype(float).reshape(-1, int(channels))
    if x.shape[1] == 1:
        x = numpy.repeat(x, 2, axis=1)
    if x.shape[1] == 6:
        x = numpy.delete(x, 3, axis=1)
    with numpy.errstate(divide="ignore"):
        print(pyloudnorm.Meter(int(rate)).integrated_loudness(x), flush=True)
