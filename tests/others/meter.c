// libebur128's figures of a float WAV file whose samples begin at byte 68: integrated, range, largest momentary
// (looked at every 10 ms, from 400 ms on), largest short-term (every 100 ms, from 3 s on), true peak (linear).
#include <ebur128.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv) {
    if (argc != 4) return 2;
    unsigned long rate = strtoul(argv[2], 0, 10);
    unsigned channels = (unsigned)atoi(argv[3]);
    FILE *f = fopen(argv[1], "rb");
    ebur128_state *st = ebur128_init(channels, rate,
        EBUR128_MODE_M | EBUR128_MODE_S | EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
    size_t hop = rate / 100, n, hops = 0;
    float *block = malloc(hop * channels * sizeof(float));
    double m, max_m = -HUGE_VAL, s, max_s = -HUGE_VAL, i, r, p, max_p = 0;
    if (!f || !st || !block || fseek(f, 68, SEEK_SET)) return 2;
    if (channels == 1) ebur128_set_channel(st, 0, EBUR128_DUAL_MONO);
    if (channels == 5) { // L R C Ls Rs
        ebur128_set_channel(st, 3, EBUR128_LEFT_SURROUND);
        ebur128_set_channel(st, 4, EBUR128_RIGHT_SURROUND);
    }
    if (channels == 6) { // L R C LFE Ls Rs
        ebur128_set_channel(st, 3, EBUR128_UNUSED);
        ebur128_set_channel(st, 4, EBUR128_LEFT_SURROUND);
        ebur128_set_channel(st, 5, EBUR128_RIGHT_SURROUND);
    }
    while ((n = fread(block, sizeof(float) * channels, hop, f)) > 0) {
        if (ebur128_add_frames_float(st, block, n)) return 3;
        hops++;
        if (hops >= 40 && !ebur128_loudness_momentary(st, &m) && m > max_m) max_m = m;
        if (hops >= 300 && hops % 10 == 0 && !ebur128_loudness_shortterm(st, &s) && s > max_s) max_s = s;
    }
    if (ebur128_loudness_global(st, &i) || ebur128_loudness_range(st, &r)) return 3;
    for (unsigned c = 0; c < channels; c++)
        if (!ebur128_true_peak(st, c, &p) && p > max_p) max_p = p;
    printf("%.9f %.9f %.9f %.9f %.9f\n", i, r, max_m, max_s, max_p);
    return 0;
}
