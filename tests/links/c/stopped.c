/* stopped SOCKET SECONDS: how long the calls of the client take while nobody is at the other end of a link that stands.
 *
 * Says "linked" and goes on when a line comes. Then it runs a machine of a cycle every ten microseconds without ever
 * waiting, and prints, in milliseconds, the longest call among those in which this process kept the processor, the
 * longest of all, and how many calls there were. */
#include "consolewright.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

enum { LAMPS_HERE = 256 };

static double longest, longest_of_all, calls;
static long pushed_aside;
static double since;

static double now(void)
{
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec * 1e3 + (double)at.tv_nsec / 1e6;
}

static long aside(void)
{
    struct rusage use;
    getrusage(RUSAGE_SELF, &use);
    return use.ru_nivcsw;
}

static void begin(void)
{
    pushed_aside = aside();
    since = now();
}

static void end(void)
{
    const double took = now() - since;
    calls++;
    if (took > longest_of_all)
        longest_of_all = took;
    if (took > longest && aside() == pushed_aside)
        longest = took;
}

int main(int words, char **word)
{
    static const char *names[LAMPS_HERE];
    static char name[LAMPS_HERE][8];
    static const uint16_t column[CW_COLUMNS] = {0x801};
    static cw_setup setup;
    uint64_t lamps[LAMPS_HERE / 64] = {1, 2, 3, 4};
    double start, next;
    cw_link *link;
    int n;
    if (words != 3)
        return 2;
    for (n = 0; n < LAMPS_HERE; n++) {
        sprintf(name[n], "A.%d", n);
        names[n] = name[n];
    }
    setup.path = word[1];
    setup.name = "waits for nobody";
    setup.lamps = names;
    setup.lamp_count = LAMPS_HERE;
    setup.ticks_per_second = 1e6;
    setup.knows = CW_POWER | CW_STATE;
    link = cw_open(&setup);
    if (link == NULL)
        return 1;
    while (!cw_wait(link, 100) || cw_type(link, "-", 1) == 0)
        ;
    puts("linked");
    fflush(stdout);
    getchar();
    start = next = now();
    for (n = 0; next < start + 1e3 * atof(word[2]); n++, next += 0.01) {
        lamps[n % 4] += (uint64_t)n * 0x9E3779B97F4A7C15u;
        begin();
        cw_cycle(link, lamps, 10);
        end();
        if (n % 100 == 0) {
            begin();
            cw_read(link);
            end();
            begin();
            cw_punch(link, column);
            end();
            begin();
            cw_type(link, "TIDES", 5);
            end();
            begin();
            cw_poll(link);
            end();
        }
        while (now() < next)
            ;
    }
    printf("%g\n%g\n%g\n", longest, longest_of_all, calls);
    cw_close(link);
    return 0;
}
