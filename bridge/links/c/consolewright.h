/* consolewright.h: links an emulator (the core) to a replica console. C99, POSIX sockets, nothing else.
 *
 *     cw_link *link = cw_open(&setup);          once
 *     cw_cycle(link, lamp_words, ticks);        after each machine cycle; sends and receives by itself now and then
 *     cw_rest(link, lamp_words); cw_wait(link, 10);   while the machine stands still
 *
 * Nothing here blocks, except the calls whose names end in _wait. There is one allocation, in cw_open; no thread, no
 * signal. A link must be used by one thread at a time. Losing the console is normal: the link counts on, tries again
 * four times a second, and asks again for what it was owed, so that no card is lost or comes twice. What crosses the
 * link is described in core-link.md.
 *
 * Lamps and keys are numbered as they are listed in cw_setup. Lamp n is bit n % 64 of word n / 64.
 */
#ifndef CONSOLEWRIGHT_H
#define CONSOLEWRIGHT_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define CW_COLUMNS 80
#define CW_FOREVER (-1)
#define CW_WORDS 255 /* bytes of a task's words, and of the answer's */

typedef struct cw_link cw_link;

typedef struct cw_setup {
    const char *path;         /* the console's core socket, as consolewright run prints it */
    const char *name;         /* of the machine, for people */
    const char *const *lamps; /* names; the description of the console says where each of them is wired */
    size_t lamp_count;
    const char *const *keys;
    size_t key_count;
    double ticks_per_second; /* of the real machine: what cw_cycle counts in */
    uint64_t run;            /* differs from start to start; 0: made from the clock */
    int own_time;            /* not 0: this core keeps the machine's time itself, and gets cards at once */
    int knows;               /* tasks it does: CW_POWER, CW_STATE, or their sum; it is given no others */
} cw_setup; /* members that are not needed are 0 */

typedef struct cw_card {
    uint32_t number;    /* counted by the reader */
    uint64_t picked_at; /* monotonic nanoseconds of the console */
    uint64_t read_at;
    uint16_t column[CW_COLUMNS]; /* row 12 is bit 11, then rows 11, 0, 1 ... 9 */
} cw_card;

/* What the console may ask of a core that knows it. The state is the core's own, in whatever file it likes: the console
 * has nothing but its name, 1 to 32 of the characters a-z, 0-9 and -. */
enum { CW_POWER = 1, CW_STATE = 2 };
enum { CW_POWER_OFF = 1, CW_POWER_ON, CW_SAVE, CW_RESTORE };

typedef struct cw_task {
    int what;                 /* CW_POWER_OFF, CW_POWER_ON, CW_SAVE or CW_RESTORE */
    int within;               /* milliseconds for which the console waited for an answer when it asked */
    char words[CW_WORDS + 1]; /* the name of the state; with power, why it goes or comes */
} cw_task;

/* Return a new link, not yet connected, or NULL: errno is ENOMEM, or EINVAL for a setup that no console could take
 * (a NULL where there must be none, a name over 65,535 bytes, names over a megabyte in all, a path too long). */
cw_link *cw_open(const cw_setup *setup);

/* Leave the console, whose lamps then rest, and free the link. NULL is allowed. */
void cw_close(cw_link *link);

/* Count a machine cycle of so many ticks in which the lamps stood so; lamp_count bits of `lamps` are read. About every
 * millisecond it does what cw_poll does. */
void cw_cycle(cw_link *link, const uint64_t *lamps, uint32_t ticks);

/* Say how the lamps stand while the machine stands still. */
void cw_rest(cw_link *link, const uint64_t *lamps);

/* Connect, send and receive what can be done at once. Returns whether the console is there. */
int cw_poll(cw_link *link);

/* The same at a moment given in monotonic nanoseconds, for cores that know the time already, or whose time is another.
 * From the first such call on, cw_cycle only counts, and leaves sending and receiving to the next one. */
int cw_poll_at(cw_link *link, uint64_t now);

/* Wait until something comes, at most so many milliseconds (CW_FOREVER: no limit), then do what cw_poll does. Returns
 * as it does. */
int cw_wait(cw_link *link, int milliseconds);

/* The socket to wait on with others, or -1 while there is none. */
int cw_descriptor(const cw_link *link);

/* Why the console refused this core, or "". Valid until the next call. */
const char *cw_refusal(const cw_link *link);

/* The same as a number, one of these or a later one; 0 if the console gave none. After the first two somebody must
 * change something, so the link tries again every ten seconds only; after all others it goes on as ever. */
enum { CW_BROKE_A_RULE = 1, CW_NO_COMMON_VERSION, CW_OTHER_CORE_LINKED, CW_CONSOLE_GOES_DOWN, CW_TOO_SLOW };
int cw_refusal_cause(const cw_link *link);

/* Whether the panel lacks this lamp, or this key, of the setup; known once connected. */
int cw_lamp_missing(const cw_link *link, size_t lamp);
int cw_key_missing(const cw_link *link, size_t key);

/* How many times faster than the real machine the console's devices run; infinity is without waiting. */
double cw_pace(const cw_link *link);

/* Whether a key is closed now. */
int cw_key(const cw_link *link, size_t key);

/* How often it has been closed since the last such call: a press is counted however short it was. */
unsigned cw_presses(cw_link *link, size_t key);

/* Ask for one card; asking again before it has come is the same request. */
void cw_read(cw_link *link);

/* Take the card that has come; returns whether one had. */
int cw_card_came(cw_link *link, cw_card *card);

/* Ask for a card and wait for it; returns 0 if it has not come in time, and then it is still asked for. */
int cw_read_wait(cw_link *link, cw_card *card, int milliseconds);

/* Whether the cycle of the last card is over: the moment to ask for the next if the machine does so late. */
int cw_cycle_over(const cw_link *link);

/* The number after which the staff expect no card (the reader's "end" key), 0 if they have not said so. */
uint32_t cw_last_card(const cw_link *link);

/* Ask for a card to be punched; returns its number, or 0 while the one before is not yet safe. */
uint32_t cw_punch(cw_link *link, const uint16_t column[CW_COLUMNS]);

/* Whether all that was to be punched is safe. */
int cw_punched(const cw_link *link);

/* Punch a card and wait until it is safe; returns 0 if it is not in time, and then it is still under way. */
int cw_punch_wait(cw_link *link, const uint16_t column[CW_COLUMNS], int milliseconds);

/* Type ISO 646 codes as far as there is credit, and return how many that was. */
size_t cw_type(cw_link *link, const char *codes, size_t count);

/* Type them all, waiting for credit; returns how many could be in time. */
size_t cw_type_wait(cw_link *link, const char *codes, size_t count, int milliseconds);

/* The next code from the typewriter's keyboard, or -1. The oldest 4,096 are kept. */
int cw_keyboard(cw_link *link);
int cw_keyboard_wait(cw_link *link, int milliseconds);

/* Take what the console asks for, once; returns whether it asks for anything. Answer it with cw_done. After
 * CW_POWER_OFF the board may go dark as soon as you have answered, and will when the time is up: what must live on has
 * to be on the disk before the answer. Another task takes the place of one that is not answered yet. */
int cw_task_came(cw_link *link, cw_task *task);
int cw_task_wait(cw_link *link, cw_task *task, int milliseconds);

/* Answer the task that was taken last: 0 for done, anything else for failed, and words for people, NULL for none. Where
 * nobody waits for it any more nothing happens. */
void cw_done(cw_link *link, int failed, const char *words);

/* The same, and wait until the answer is out, as a core that ends itself must; returns 0 if it is not in time. */
int cw_done_wait(cw_link *link, int failed, const char *words, int milliseconds);

/* Whether the machine has power: yes, unless the console has said that it goes and not yet that it is back. */
int cw_power(const cw_link *link);

/* The state of a device ("reader", "punch", "typewriter"), such as "ready", or "" if nothing is known of it; and what
 * the console says of it to people. Valid until the next call. */
const char *cw_device_state(const cw_link *link, const char *device);
const char *cw_device_words(const cw_link *link, const char *device);

#ifdef __cplusplus
}
#endif
#endif
