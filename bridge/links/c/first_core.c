/* The smallest core in C, for config/first-panel.toml: eight keys W.7 ... W.0 under eight lamps A.7 ... A.0.
 *
 *     cc -O2 -o first_core first_core.c consolewright.c && ./first_core SOCKET
 *
 * Its machine has one register of 24 bits, to which it adds the word in the keys in every cycle; the lamps are its upper
 * eight bits. With no key closed it stands still. Close W.0 and watch the lamps count; close W.7, and the upper ones
 * change so fast that they only glow. Its state is saved in NAME.state, where it was started. Copy it and put your
 * machine in place of `step`. */
#define _POSIX_C_SOURCE 200809L
#include "consolewright.h"

#include <fcntl.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>

enum { BITS = 8, TICKS = 10, TICKS_PER_SECOND = 1000000 };
#define CYCLES_PER_MILLISECOND (TICKS_PER_SECOND / 1000 / TICKS)

static const char *const lamps[BITS] = {"A.0", "A.1", "A.2", "A.3", "A.4", "A.5", "A.6", "A.7"};
static const char *const keys[BITS] = {"W.0", "W.1", "W.2", "W.3", "W.4", "W.5", "W.6", "W.7"};

static uint32_t sum; /* all there is of the machine */

static void step(uint32_t word)
{
    sum = (sum + word) & 0xFFFFFF;
}

/* Write the state beside the old one and put it in its place once it is on the disk: whenever the power goes, one of
 * them is whole. */
static int save(const char *name)
{
    char path[64], fresh[64];
    FILE *file;
    int folder, done;
    snprintf(path, sizeof path, "%.32s.state", name);
    snprintf(fresh, sizeof fresh, "%.32s.new", name);
    file = fopen(fresh, "w");
    if (file == NULL)
        return 0;
    done = fprintf(file, "%lu\n", (unsigned long)sum) > 0 && fflush(file) == 0 && fsync(fileno(file)) == 0;
    done = fclose(file) == 0 && done && rename(fresh, path) == 0;
    folder = open(".", O_RDONLY); /* it keeps the name: that has to be on the disk as well */
    done = done && fsync(folder) == 0;
    close(folder);
    return done;
}

static int restore(const char *name)
{
    char path[64];
    unsigned long kept;
    FILE *file;
    int done;
    snprintf(path, sizeof path, "%.32s.state", name);
    file = fopen(path, "r");
    if (file == NULL)
        return 0;
    done = fscanf(file, "%lu", &kept) == 1;
    fclose(file);
    if (done)
        sum = kept & 0xFFFFFF;
    return done;
}

static void tend(cw_link *link)
{
    cw_task task;
    int done = 1;
    if (!cw_task_came(link, &task))
        return;
    if (task.what == CW_SAVE)
        done = save(task.words);
    else if (task.what == CW_RESTORE)
        done = restore(task.words);
    cw_done(link, !done, done ? "" : "there is no state of this name, or no room for one");
}

static uint32_t word_of_keys(const cw_link *link)
{
    uint32_t word = 0;
    int n;
    for (n = 0; n < BITS; n++)
        word |= (uint32_t)cw_key(link, (size_t)n) << n;
    return word;
}

static void wait_until(struct timespec *moment)
{
    moment->tv_nsec += 1000000;
    if (moment->tv_nsec >= 1000000000) {
        moment->tv_nsec -= 1000000000;
        moment->tv_sec++;
    }
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, moment, NULL) != 0)
        ;
}

int main(int words, char **word)
{
    static cw_setup setup; /* static, so all of it is 0 */
    cw_link *link;
    struct timespec moment;
    int linked = 0;
    if (words != 2) {
        fprintf(stderr, "usage: first_core SOCKET (as consolewright run prints it)\n");
        return 2;
    }
    setup.path = word[1];
    setup.name = "first core in C";
    setup.lamps = lamps;
    setup.keys = keys;
    setup.lamp_count = setup.key_count = BITS;
    setup.ticks_per_second = TICKS_PER_SECOND;
    setup.knows = CW_POWER | CW_STATE;
    link = cw_open(&setup);
    if (link == NULL) {
        perror("first_core");
        return 1;
    }
    clock_gettime(CLOCK_MONOTONIC, &moment);
    for (;;) {
        uint32_t in_keys;
        uint64_t shown = sum >> 16;
        int n;
        if (!cw_poll(link)) {
            if (*cw_refusal(link) != 0 && linked >= 0)
                fprintf(stderr, "the console refused: %s\n", cw_refusal(link)), linked = -1;
            linked = linked > 0 ? 0 : linked;
            cw_wait(link, 100);
            clock_gettime(CLOCK_MONOTONIC, &moment);
            continue;
        }
        if (linked <= 0)
            printf("linked to the console\n"), fflush(stdout);
        linked = 1;
        tend(link);
        in_keys = cw_power(link) ? word_of_keys(link) : 0;
        if (in_keys == 0)
            cw_rest(link, &shown);
        for (n = 0; n < CYCLES_PER_MILLISECOND && in_keys != 0; n++) {
            step(in_keys);
            shown = sum >> 16;
            cw_cycle(link, &shown, TICKS);
        }
        wait_until(&moment);
    }
}
