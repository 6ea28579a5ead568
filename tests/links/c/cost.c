/* cost: nanoseconds of a machine cycle of 256 lamps, one figure a line: equal lengths, lengths 1 to 15 mixed, a naive
 * count of the same, and of a flush in microseconds. The best of seventy short runs each, since the machine has other
 * work. */
#include "consolewright.c"

#include <stdio.h>

enum { LAMPS_HERE = 256, CYCLES = 4096, TURNS = 20, RUNS = 70 };

static uint64_t word[CYCLES][LAMPS_HERE / 64];
static uint32_t length[CYCLES], naive[LAMPS_HERE];

static void count_naively(const uint64_t *lamps, uint32_t ticks)
{
    int n;
    for (n = 0; n < LAMPS_HERE; n++)
        naive[n] += (uint32_t)(lamps[n / 64] >> n % 64 & 1) * ticks;
}

static double per_cycle(uint64_t since, int cycles)
{
    return (double)(clock_now() - since) / cycles;
}

int main(void)
{
    static const char *names[LAMPS_HERE];
    double best[4] = {1e9, 1e9, 1e9, 1e9}, got;
    uint64_t seed = 88172645463325252u, since;
    cw_setup setup;
    cw_link *link;
    int n, w, run, turn;
    for (n = 0; n < LAMPS_HERE; n++)
        names[n] = "L";
    for (n = 0; n < CYCLES; n++) {
        for (w = 0; w < LAMPS_HERE / 64; w++) {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            word[n][w] = seed;
        }
        length[n] = seed % 15 + 1;
    }
    memset(&setup, 0, sizeof setup);
    setup.path = "/nowhere";
    setup.name = "cost";
    setup.lamps = names;
    setup.lamp_count = LAMPS_HERE;
    link = cw_open(&setup);
    link->next_try = UINT64_MAX;
    link->welcomed = 1; /* as if a console were there; what would be sent is thrown away */
    for (run = 0; run < RUNS; run++) {
        since = clock_now();
        for (turn = 0; turn < TURNS; turn++)
            for (n = 0; n < CYCLES; n++)
                cw_cycle(link, word[n], 4);
        if ((got = per_cycle(since, TURNS * CYCLES)) < best[0])
            best[0] = got;
        forget_on_time(link);
        since = clock_now();
        for (turn = 0; turn < TURNS; turn++)
            for (n = 0; n < CYCLES; n++)
                cw_cycle(link, word[n], length[n]);
        if ((got = per_cycle(since, TURNS * CYCLES)) < best[1])
            best[1] = got;
        forget_on_time(link);
        since = clock_now();
        for (turn = 0; turn < TURNS / 20; turn++)
            for (n = 0; n < CYCLES; n++)
                count_naively(word[n], 4);
        if ((got = per_cycle(since, TURNS / 20 * CYCLES)) < best[2])
            best[2] = got;
        /* A frame of 2,000 cycles of one length, and some of others. */
        for (turn = 0; turn < 5; turn++) {
            for (n = 0; n < 2000; n++)
                cw_cycle(link, word[n], n < 1950 ? 4 : length[n]);
            link->out_from = link->out_to = 0;
            since = clock_now();
            send_frame(link, 0);
            if ((got = per_cycle(since, 1000)) < best[3])
                best[3] = got;
        }
    }
    printf("%g\n%g\n%g\n%g\n", best[0], best[1], best[2], best[3]);
    cw_close(link);
    return naive[0] == 0;
}
