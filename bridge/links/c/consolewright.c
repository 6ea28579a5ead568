#define _POSIX_C_SOURCE 200809L
#include "consolewright.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/types.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#if defined(MSG_NOSIGNAL)
#define SEND_FLAGS MSG_NOSIGNAL
#else
#define SEND_FLAGS 0
#endif

/* What cw_cycle seldom needs is kept out of it, and what does not overlap is said not to. */
#if defined(__GNUC__)
#define NOT_INLINE __attribute__((noinline))
#define RESTRICT __restrict
#else
#define NOT_INLINE
#define RESTRICT
#endif

enum {
    HELLO = 0x01, LAMPS, READ, PUNCH, TYPE, HAVE, OWN_TIME, KNOWS, DONE,
    WELCOME = 0x81, KEY, CARD, CYCLE_END, PUNCHED, CREDIT, DEVICE, KEYBOARD, LAST_CARD, CAUSE, TASK,
    REFUSED = 0xFF
};

enum { VERSION = 1, LONGEST = 1 << 20, CARD_BYTES = 2 * CW_COLUMNS, SMALL = 1 << 16 };
enum { BATCH = 8, COUNT_PLANES = 8, LOW_PLANES = 6, SUM_PLANES = 12 };
enum { TYPED = 4096, DEVICES = 64, WORDS = 512, RESERVE = 1024, STATE_NAME = 32 };

#define SECOND UINT64_C(1000000000)
#define FRAME (SECOND / 100)
#define RETRY (SECOND / 4)
#define RETRY_REFUSED (10 * SECOND)
#define LOOK (SECOND / 1000) /* how often cw_cycle means to read the clock */
#define MOST_TICKS (UINT32_C(1) << 31)

typedef struct device {
    char name[32], state[32], words[WORDS];
} device;

struct cw_link {
    /* What the core is. */
    struct sockaddr_un address;
    size_t lamp_count, key_count, words, lamp_bytes;
    size_t room; /* words of a plane: a multiple of four, those beyond the lamps are zero */
    int own_time, knows;
    uint8_t *hello;
    size_t hello_size;

    /* On-time, bit-sliced: bit n of a plane belongs to lamp n. Runs of cycles of one length are counted eight at a time
     * by carry-save adders (ones, twos, fours); of each further power of two there is a plane, and one that waits for
     * its like, so that what is to be done follows from `eights_added` alone and no branch depends on the lamps. Cycles
     * of mixed lengths add their ticks to low sums, in which no carry goes far, and these now and then to sums. */
    uint64_t *batch, *ones, *twos, *fours, *eights, *waiting, *low_sums, *sums;
    const uint64_t *latest;
    unsigned batched, eights_added;
    uint32_t run_ticks, count_ticks, low_summed, summed;
    uint32_t elapsed;
    uint32_t *on_time;
    uint64_t *stand, *shown;
    int standing_shown;

    /* When the clock is read again, in cycles. */
    int clock_is_theirs; /* the caller says what time it is */
    uint32_t cycles_left, cycles_between;
    uint64_t looked_at;

    /* The socket, and what waits on either side of it. */
    int socket, welcomed;
    uint64_t next_try, next_frame, polled_at;
    uint8_t *out, *in;
    size_t out_size, out_from, out_to, in_size, in_to, skip;
    char refusal[WORDS];
    int cause;

    /* What the console has said. */
    double pace;
    uint64_t *closed, *lamps_missing, *keys_missing;
    uint32_t *presses;
    uint32_t credit, last_card;
    device devices[DEVICES];
    uint8_t typed[TYPED];
    size_t typed_from, typed_count;

    /* What it owes. */
    int card_wanted, card_here, cycle_over, punch_wanted;
    cw_card card;
    uint32_t have_number, punch_number;
    uint64_t have_picked_at;
    uint8_t punch_card[CARD_BYTES];

    /* What it is asked to do: a task that waits to be taken, and the number of the one that was, 0 for none. */
    cw_task task;
    int task_here, power_off;
    uint32_t task_number, taken_number;
};

/* Bytes ---------------------------------------------------------------------------------------------------------- */

static uint8_t *put(uint8_t *at, uint64_t value, int bytes)
{
    int n;
    for (n = 0; n < bytes; n++)
        *at++ = (uint8_t)(value >> 8 * n);
    return at;
}

static uint64_t get(const uint8_t *at, int bytes)
{
    uint64_t value = 0;
    while (bytes-- > 0)
        value = value << 8 | at[bytes];
    return value;
}

static uint8_t *put_text(uint8_t *at, const char *text)
{
    size_t size = strlen(text);
    at = put(at, size, 2);
    memcpy(at, text, size);
    return at + size;
}

static uint64_t bits_of(double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static double double_of(uint64_t bits)
{
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static int bit(const uint64_t *words, size_t n)
{
    return (int)(words[n / 64] >> n % 64 & 1);
}

static uint64_t clock_now(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * SECOND + (uint64_t)now.tv_nsec;
}

/* On-time -------------------------------------------------------------------------------------------------------- */

/* Add `ticks` to the low sums of the lamps set in `lamps`; these must have room for it. Four words at a time, since a
 * processor can add so many side by side. */
static void add_low_sum(cw_link *link, const uint64_t *lamps, uint32_t ticks)
{
    const size_t room = link->room;
    size_t w;
    for (w = 0; w < room; w += 4) {
        const uint64_t l0 = lamps[w], l1 = lamps[w + 1], l2 = lamps[w + 2], l3 = lamps[w + 3];
        uint64_t c0 = 0, c1 = 0, c2 = 0, c3 = 0, *plane = link->low_sums + w;
        int p;
        for (p = 0; p < LOW_PLANES; p++, plane += room) {
            const uint64_t one = (uint64_t)0 - (ticks >> p & 1);
            const uint64_t a0 = l0 & one, a1 = l1 & one, a2 = l2 & one, a3 = l3 & one;
            const uint64_t p0 = plane[0], p1 = plane[1], p2 = plane[2], p3 = plane[3];
            const uint64_t b0 = p0 ^ a0, b1 = p1 ^ a1, b2 = p2 ^ a2, b3 = p3 ^ a3;
            plane[0] = b0 ^ c0;
            plane[1] = b1 ^ c1;
            plane[2] = b2 ^ c2;
            plane[3] = b3 ^ c3;
            c0 = (p0 & a0) | (c0 & b0);
            c1 = (p1 & a1) | (c1 & b1);
            c2 = (p2 & a2) | (c2 & b2);
            c3 = (p3 & a3) | (c3 & b3);
        }
    }
}

/* Add a number, whose bit p for all lamps is plane `addend[p]`, to the sums, which have room for it. */
static void add_planes(cw_link *link, const uint64_t *const *addend, int planes)
{
    const size_t room = link->room;
    size_t w;
    for (w = 0; w < room; w++) {
        uint64_t carry = 0, *plane = link->sums + w;
        int p;
        for (p = 0; p < planes || carry != 0; p++, plane += room) {
            const uint64_t add = p < planes && addend[p] != NULL ? addend[p][w] : 0;
            const uint64_t both = *plane ^ add;
            const uint64_t next = (*plane & add) | (carry & both);
            *plane = both ^ carry;
            carry = next;
        }
    }
}

/* Return the byte `from` (counted in bits) of each of eight words or fewer, the first word's lowest, turned about: bit
 * p of byte n is what was bit n of byte p. The three swaps of ever larger blocks are common practice, from memory. */
static uint64_t transposed(const uint64_t *word, int words, unsigned from)
{
    uint64_t x = 0, t;
    int p;
    for (p = 0; p < words; p++)
        x |= (word[p] >> from & 0xFF) << 8 * p;
    t = (x ^ x >> 7) & UINT64_C(0x00AA00AA00AA00AA);
    x ^= t ^ t << 7;
    t = (x ^ x >> 14) & UINT64_C(0x0000CCCC0000CCCC);
    x ^= t ^ t << 14;
    t = (x ^ x >> 28) & UINT64_C(0x00000000F0F0F0F0);
    return x ^ t ^ t << 28;
}

/* Add planes, at most sixteen, the lowest first, to the on-times, each unit for `ticks`, and clear them. */
static void drain(cw_link *link, uint64_t *const *plane, int planes, uint32_t ticks)
{
    size_t lamp = 0, w;
    for (w = 0; w < link->words; w++) {
        uint64_t word[16];
        unsigned from;
        int p;
        for (p = 0; p < planes; p++)
            word[p] = plane[p][w];
        for (from = 0; from < 64 && lamp < link->lamp_count; from += 8) {
            uint64_t low = transposed(word, planes < 8 ? planes : 8, from);
            uint64_t high = planes > 8 ? transposed(word + 8, planes - 8, from) : 0;
            for (p = 0; p < 8 && lamp < link->lamp_count; p++, low >>= 8, high >>= 8)
                link->on_time[lamp++] += ticks * (uint32_t)((low & 0xFF) | (high & 0xFF) << 8);
        }
    }
    for (planes--; planes >= 0; planes--)
        memset(plane[planes], 0, link->room * sizeof(uint64_t));
}

/* Return how many binary digits a number has. */
static int digits(uint32_t number)
{
    int count = 0;
    for (; number != 0; number >>= 1)
        count++;
    return count;
}

/* Add the low sums to the sums, which have room for them. */
static void merge_low_sums(cw_link *link)
{
    const uint64_t *plane[LOW_PLANES];
    int p;
    for (p = 0; p < LOW_PLANES; p++)
        plane[p] = link->low_sums + (size_t)p * link->room;
    add_planes(link, plane, digits(link->low_summed));
    memset(link->low_sums, 0, LOW_PLANES * link->room * sizeof(uint64_t));
    link->low_summed = 0;
}

static void drain_sums(cw_link *link)
{
    uint64_t *plane[SUM_PLANES];
    int p;
    if (link->summed == 0)
        return;
    merge_low_sums(link);
    for (p = 0; p < SUM_PLANES; p++)
        plane[p] = link->sums + (size_t)p * link->room;
    drain(link, plane, digits(link->summed), 1);
    link->summed = 0;
}

/* Add the planes that wait for their like to those of their weight. */
static void end_waiting(cw_link *link)
{
    const size_t room = link->room;
    size_t w;
    int p;
    for (p = 0; p < COUNT_PLANES; p++)
        for (w = 0; w < room && link->eights_added >> p & 1; w++) {
            uint64_t carry = link->waiting[(size_t)p * room + w], *plane = link->eights + (size_t)p * room + w;
            for (; carry != 0; plane += room) {
                const uint64_t next = *plane & carry;
                *plane ^= carry;
                carry = next;
            }
        }
}

static void drain_counts(cw_link *link)
{
    uint64_t *plane[3 + COUNT_PLANES];
    int p;
    if (link->count_ticks == 0)
        return;
    end_waiting(link);
    plane[0] = link->ones;
    plane[1] = link->twos;
    plane[2] = link->fours;
    for (p = 0; p < COUNT_PLANES; p++)
        plane[3 + p] = link->eights + (size_t)p * link->room;
    drain(link, plane, 3 + digits(link->eights_added), link->count_ticks);
    link->count_ticks = 0;
    link->eights_added = 0;
}

static void add_one(cw_link *link, const uint64_t *lamps, uint32_t ticks)
{
    if (ticks >= 1u << SUM_PLANES) {
        size_t n;
        for (n = 0; n < link->lamp_count; n++)
            if (bit(lamps, n))
                link->on_time[n] += ticks;
        return;
    }
    if (link->summed + ticks >= 1u << SUM_PLANES)
        drain_sums(link);
    link->summed += ticks;
    if (ticks >= 1u << LOW_PLANES) {
        const uint64_t *plane[SUM_PLANES];
        int p;
        for (p = 0; p < SUM_PLANES; p++)
            plane[p] = ticks >> p & 1 ? lamps : NULL;
        add_planes(link, plane, SUM_PLANES);
        return;
    }
    if (link->low_summed + ticks >= 1u << LOW_PLANES)
        merge_low_sums(link);
    link->low_summed += ticks;
    add_low_sum(link, lamps, ticks);
}

NOT_INLINE static void end_batch(cw_link *link)
{
    unsigned n;
    for (n = 0; n < link->batched; n++)
        add_one(link, link->batch + n * link->room, link->run_ticks);
    link->batched = 0;
}

/* Add three bits of one weight: what is left of it in *low, what is carried returned. */
static uint64_t carry_save(uint64_t *low, uint64_t a, uint64_t b)
{
    const uint64_t both = *low ^ a, carry = (*low & a) | (both & b);
    *low = both ^ b;
    return carry;
}

/* Add eight cycles, `room` words apart, of four words: what is carried beyond the fours goes to `eights`. The loop has no
 * branch and nothing in it overlaps, so that a compiler makes two or four words of it at once. */
static void add_eight(const uint64_t *RESTRICT lamps, size_t room, uint64_t *RESTRICT ones, uint64_t *RESTRICT twos,
                      uint64_t *RESTRICT fours, uint64_t *RESTRICT eights)
{
    int w;
    for (w = 0; w < 4; w++) {
        uint64_t one = ones[w], two = twos[w], four = fours[w], two1, two2, four1, four2;
        two1 = carry_save(&one, lamps[w], lamps[w + room]);
        two2 = carry_save(&one, lamps[w + 2 * room], lamps[w + 3 * room]);
        four1 = carry_save(&two, two1, two2);
        two1 = carry_save(&one, lamps[w + 4 * room], lamps[w + 5 * room]);
        two2 = carry_save(&one, lamps[w + 6 * room], lamps[w + 7 * room]);
        four2 = carry_save(&two, two1, two2);
        eights[w] = carry_save(&four, four1, four2);
        ones[w] = one;
        twos[w] = two;
        fours[w] = four;
    }
}

/* Add four words to the plane of their weight, with those that waited there, and put what is carried in their place. */
static void add_plane(uint64_t *RESTRICT plane, const uint64_t *RESTRICT waiting, uint64_t *RESTRICT carry)
{
    int w;
    for (w = 0; w < 4; w++)
        carry[w] = carry_save(plane + w, waiting[w], carry[w]);
}

NOT_INLINE static void full_batch(cw_link *link)
{
    const size_t room = link->room;
    size_t w;
    if (link->count_ticks != link->run_ticks) {
        if (link->count_ticks != 0) {
            /* Runs of two lengths at once: draining at each change would cost more than adding one by one. */
            end_batch(link);
            return;
        }
        link->count_ticks = link->run_ticks;
    }
    for (w = 0; w < room; w += 4) {
        uint64_t carry[4], *plane = link->eights + w, *waiting = link->waiting + w;
        unsigned added;
        add_eight(link->batch + w, room, link->ones + w, link->twos + w, link->fours + w, carry);
        for (added = link->eights_added; added & 1; added >>= 1, plane += room, waiting += room)
            add_plane(plane, waiting, carry);
        memcpy(waiting, carry, sizeof carry);
    }
    link->batched = 0;
    if (++link->eights_added == (1u << COUNT_PLANES) - 1)
        drain_counts(link);
}

NOT_INLINE static void forget_on_time(cw_link *link)
{
    link->batched = 0;
    drain_counts(link);
    drain_sums(link);
    memset(link->on_time, 0, link->lamp_count * sizeof *link->on_time);
    link->elapsed = 0;
}

/* Sending -------------------------------------------------------------------------------------------------------- */

static void lost(cw_link *link)
{
    if (link->socket >= 0)
        close(link->socket);
    link->socket = -1;
    link->welcomed = 0;
    link->credit = 0;
    link->task_here = 0;
    link->taken_number = 0;
    if (link->cause == CW_BROKE_A_RULE || link->cause == CW_NO_COMMON_VERSION)
        link->next_try = link->polled_at + RETRY_REFUSED;
    link->out_from = link->out_to = link->in_to = link->skip = 0;
}

static void flush_out(cw_link *link)
{
    while (link->socket >= 0 && link->out_from < link->out_to) {
        ssize_t sent = send(link->socket, link->out + link->out_from, link->out_to - link->out_from, SEND_FLAGS);
        if (sent < 0 && errno == EINTR)
            continue;
        if (sent < 0) {
            if (errno != EAGAIN && errno != EWOULDBLOCK)
                lost(link);
            return;
        }
        link->out_from += (size_t)sent;
    }
    link->out_from = link->out_to = 0;
}

/* Return room for a message of so many bytes; its head is written. There is room: cw_type leaves RESERVE free, a frame
 * is sent only when nothing waits, and of all the rest one of a kind is under way at a time. A console that asks on and
 * on, and never reads the answers, is let go. */
static uint8_t *message(cw_link *link, int type, size_t size)
{
    uint8_t *at;
    if (link->out_from > 0) {
        memmove(link->out, link->out + link->out_from, link->out_to - link->out_from);
        link->out_to -= link->out_from;
        link->out_from = 0;
    }
    if (link->out_size - link->out_to < size + 5)
        lost(link);
    at = put(link->out + link->out_to, size + 1, 4);
    link->out_to += size + 5;
    return put(at, (uint64_t)type, 1);
}

static void send_punch(cw_link *link)
{
    uint8_t *at = message(link, PUNCH, 4 + CARD_BYTES);
    memcpy(put(at, link->punch_number, 4), link->punch_card, CARD_BYTES);
}

static uint8_t *put_bits(uint8_t *at, const cw_link *link)
{
    size_t n;
    at = put(at, link->lamp_bytes, 2);
    for (n = 0; n < link->lamp_bytes; n++)
        *at++ = (uint8_t)(link->latest[n / 8] >> 8 * (n % 8));
    return at;
}

static void send_frame(cw_link *link, uint64_t now)
{
    uint8_t *at;
    size_t n;
    if (link->out_to != 0)
        return; /* the socket is full: count on, and send one longer frame */
    if (link->elapsed != 0) {
        end_batch(link);
        drain_counts(link);
        drain_sums(link);
        at = message(link, LAMPS, 6 + link->lamp_bytes + 4 * link->lamp_count);
        at = put_bits(put(at, link->elapsed, 4), link);
        for (n = 0; n < link->lamp_count; n++)
            at = put(at, link->on_time[n], 4);
        forget_on_time(link);
        link->standing_shown = 0;
    } else if (!link->standing_shown || memcmp(link->shown, link->latest, link->words * sizeof(uint64_t)) != 0) {
        at = message(link, LAMPS, 6 + link->lamp_bytes);
        put_bits(put(at, 0, 4), link);
        memcpy(link->shown, link->latest, link->words * sizeof(uint64_t));
        link->standing_shown = 1;
    }
    link->next_frame = now + FRAME;
}

static void send_done(cw_link *link, uint32_t number, int failed, const char *words)
{
    size_t size = strlen(words);
    uint8_t *at;
    if (size > CW_WORDS)
        for (size = CW_WORDS; size > 0 && ((uint8_t)words[size] & 0xC0) == 0x80; size--)
            ;
    at = message(link, DONE, 7 + size);
    memcpy(put(put(put(at, number, 4), failed != 0, 1), size, 2), words, size);
}

static void ask_again(cw_link *link)
{
    uint8_t *at;
    if (link->knows)
        put(message(link, KNOWS, 1), (uint64_t)link->knows, 1);
    if (link->own_time)
        message(link, OWN_TIME, 0);
    at = message(link, HAVE, 12);
    put(put(at, link->have_number, 4), link->have_picked_at, 8);
    if (link->card_wanted)
        message(link, READ, 0);
    if (link->punch_wanted)
        send_punch(link);
}

/* Receiving ------------------------------------------------------------------------------------------------------ */

typedef struct fields {
    const uint8_t *at, *end;
    int bad;
} fields;

static const uint8_t *next(fields *from, size_t size)
{
    static const uint8_t nothing[CARD_BYTES] = {0};
    const uint8_t *at = from->at;
    if ((size_t)(from->end - at) < size) {
        from->bad = 1;
        return nothing;
    }
    from->at += size;
    return at;
}

static uint64_t number(fields *from, int bytes)
{
    return get(next(from, (size_t)bytes), bytes);
}

/* Copy a text, cut to what fits, into `to`. */
static void text(fields *from, char *to, size_t room)
{
    size_t size = (size_t)number(from, 2);
    const uint8_t *at;
    if ((size_t)(from->end - from->at) < size) {
        from->bad = 1;
        size = 0;
    }
    at = next(from, size);
    if (size > room - 1)
        for (size = room - 1; size > 0 && (at[size] & 0xC0) == 0x80; size--)
            ;
    memcpy(to, at, size);
    to[size] = 0;
}

/* Mark the names of a list that are among those of the hello, which stand from `names` on. */
static void mark(fields *from, const uint8_t *names, size_t count, uint64_t *marks)
{
    size_t left = (size_t)number(from, 2);
    memset(marks, 0, (count + 63) / 64 * sizeof *marks);
    for (; left > 0 && !from->bad; left--) {
        size_t size = (size_t)number(from, 2), n;
        const uint8_t *name = from->at, *at = names;
        if ((size_t)(from->end - from->at) < size) {
            from->bad = 1;
            return;
        }
        from->at += size;
        for (n = 0; n < count; n++) {
            size_t own = (size_t)get(at, 2);
            if (own == size && memcmp(at + 2, name, size) == 0)
                marks[n / 64] |= UINT64_C(1) << n % 64;
            at += 2 + own;
        }
    }
}

/* Return where the names of a list of the hello begin: of the lamps, or of the keys, which stand after them. */
static const uint8_t *hello_names(const cw_link *link, int keys)
{
    const uint8_t *at = link->hello + 5 + 2 + 2 + 8 + 8;
    size_t n;
    at += 2 + get(at, 2);
    at += 2;
    if (!keys)
        return at;
    for (n = 0; n < link->lamp_count; n++)
        at += 2 + get(at, 2);
    return at + 2;
}

static void set_key(cw_link *link, size_t key, int closed)
{
    uint64_t one = UINT64_C(1) << key % 64;
    if (key >= link->key_count)
        return;
    if (closed && !(link->closed[key / 64] & one))
        link->presses[key]++;
    link->closed[key / 64] = closed ? link->closed[key / 64] | one : link->closed[key / 64] & ~one;
}

static void welcome(cw_link *link, fields *from)
{
    size_t n, size;
    const uint8_t *closed;
    number(from, 2);
    link->pace = double_of(number(from, 8));
    size = (size_t)number(from, 2);
    closed = from->at;
    if ((size_t)(from->end - from->at) < size) {
        from->bad = 1;
        return;
    }
    from->at += size;
    /* A key that was pressed and let go while the link was down is not seen; one that is down now was pressed. */
    for (n = 0; n < link->key_count && n / 8 < size; n++)
        set_key(link, n, closed[n / 8] >> n % 8 & 1);
    mark(from, hello_names(link, 0), link->lamp_count, link->lamps_missing);
    mark(from, hello_names(link, 1), link->key_count, link->keys_missing);
    link->welcomed = 1;
    link->refusal[0] = 0;
    link->cause = 0;
    link->credit = 0;
    link->standing_shown = 0;
    link->power_off = 0;
    ask_again(link);
}

static void card(cw_link *link, fields *from)
{
    const uint8_t *at;
    int n;
    link->card.number = (uint32_t)number(from, 4);
    link->card.picked_at = number(from, 8);
    link->card.read_at = number(from, 8);
    at = next(from, CARD_BYTES);
    for (n = 0; n < CW_COLUMNS; n++)
        link->card.column[n] = (uint16_t)get(at + 2 * n, 2);
    if (from->bad)
        return;
    link->have_number = link->card.number;
    link->have_picked_at = link->card.picked_at;
    link->card_here = 1;
    link->card_wanted = link->cycle_over = 0;
}

static void device_state(cw_link *link, fields *from)
{
    device said;
    int n;
    text(from, said.name, sizeof said.name);
    text(from, said.state, sizeof said.state);
    text(from, said.words, sizeof said.words);
    for (n = 0; n < DEVICES && !from->bad; n++)
        if (link->devices[n].name[0] == 0 || strcmp(link->devices[n].name, said.name) == 0) {
            link->devices[n] = said;
            return;
        }
}

static int is_state_name(const char *name)
{
    size_t size = strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-");
    return size > 0 && size <= STATE_NAME && name[size] == 0;
}

static void task(cw_link *link, fields *from)
{
    static const int known[] = {0, CW_POWER, CW_POWER, CW_STATE, CW_STATE};
    cw_task asked;
    const uint32_t number_of_it = (uint32_t)number(from, 4), what = (uint32_t)number(from, 1);
    const uint32_t within = (uint32_t)number(from, 4);
    text(from, asked.words, sizeof asked.words);
    if (from->bad)
        return;
    if (what >= sizeof known / sizeof *known || !(known[what] & link->knows)) {
        send_done(link, number_of_it, 1, "this core knows no such task");
        return;
    }
    if (known[what] == CW_STATE && !is_state_name(asked.words)) {
        send_done(link, number_of_it, 1, "no state can have this name");
        return;
    }
    if (known[what] == CW_POWER)
        link->power_off = what == CW_POWER_OFF;
    asked.what = (int)what;
    asked.within = (int)(within < INT_MAX ? within : INT_MAX);
    link->task = asked;
    link->task_number = number_of_it;
    link->task_here = 1;
}

static void keyboard(cw_link *link, fields *from)
{
    for (; from->at < from->end; from->at++)
        if (link->typed_count < TYPED)
            link->typed[(link->typed_from + link->typed_count++) % TYPED] = *from->at;
}

static void received(cw_link *link, const uint8_t *at, size_t size)
{
    fields from;
    from.at = at + 1;
    from.end = at + size;
    from.bad = 0;
    switch (*at) {
    case WELCOME: welcome(link, &from); break;
    case KEY: {
        size_t key;
        number(&from, 8);
        key = (size_t)number(&from, 2);
        set_key(link, key, number(&from, 1) != 0);
        break;
    }
    case CARD: card(link, &from); break;
    case CYCLE_END: link->cycle_over = 1; break;
    case PUNCHED:
        if ((uint32_t)number(&from, 4) == link->punch_number)
            link->punch_wanted = 0;
        break;
    case CREDIT: link->credit += (uint32_t)number(&from, 2); break;
    case DEVICE: device_state(link, &from); break;
    case KEYBOARD: keyboard(link, &from); break;
    case LAST_CARD: link->last_card = (uint32_t)number(&from, 4); break;
    case CAUSE: link->cause = (int)number(&from, 1); break;
    case TASK: task(link, &from); break;
    case REFUSED: text(&from, link->refusal, sizeof link->refusal); break;
    default: break;
    }
    if (from.bad) {
        snprintf(link->refusal, sizeof link->refusal,
                 "the console sent a message 0x%02X that is too short (byte %u, \"Messages\" of the core link)",
                 (unsigned)*at, (unsigned)(from.at - at) + 4);
        lost(link);
    }
}

/* Take what has come apart into messages; what is longer than the buffer is skipped. */
static void take(cw_link *link)
{
    size_t from = 0;
    while (link->socket >= 0 && link->in_to - from >= 4) {
        size_t size = (size_t)get(link->in + from, 4);
        if (size < 1 || size > LONGEST) {
            snprintf(link->refusal, sizeof link->refusal,
                     "the console sent a length of %lu, which no message has (byte 0, \"Messages\" of the core link)", (unsigned long)size);
            lost(link);
            return;
        }
        if (size + 4 > link->in_size) {
            link->skip = size + 4 - (link->in_to - from);
            from = link->in_to;
            break;
        }
        if (link->in_to - from < size + 4)
            break;
        received(link, link->in + from + 4, size);
        from += size + 4;
    }
    if (link->socket >= 0) {
        memmove(link->in, link->in + from, link->in_to - from);
        link->in_to -= from;
    }
}

static void receive(cw_link *link)
{
    while (link->socket >= 0) {
        ssize_t got = recv(link->socket, link->in + link->in_to, link->in_size - link->in_to, 0);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
            return;
        if (got <= 0) {
            lost(link);
            return;
        }
        if (link->skip > 0) {
            size_t skipped = link->skip < (size_t)got ? link->skip : (size_t)got;
            link->skip -= skipped;
            memmove(link->in, link->in + skipped, (size_t)got - skipped);
            got -= (ssize_t)skipped;
        }
        link->in_to += (size_t)got;
        take(link);
    }
}

static void connect_now(cw_link *link)
{
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    if (fd < 0)
        return;
    if (fcntl(fd, F_SETFD, FD_CLOEXEC) < 0 || fcntl(fd, F_SETFL, O_NONBLOCK) < 0
        || connect(fd, (const struct sockaddr *)&link->address, sizeof link->address) < 0) {
        close(fd);
        return;
    }
#if defined(SO_NOSIGPIPE)
    {
        int yes = 1;
        setsockopt(fd, SOL_SOCKET, SO_NOSIGPIPE, &yes, sizeof yes);
    }
#endif
    link->socket = fd;
    memcpy(link->out, link->hello, link->hello_size);
    link->out_from = 0;
    link->out_to = link->hello_size;
}

/* The calls ------------------------------------------------------------------------------------------------------ */

/* Return the bytes a list of names takes, or 0 if one of them is none. */
static size_t size_of(const char *const *names, size_t count)
{
    size_t size = 2, n;
    if (count > UINT16_MAX || (count > 0 && names == NULL))
        return 0;
    for (n = 0; n < count; n++) {
        if (names[n] == NULL || strlen(names[n]) > UINT16_MAX)
            return 0;
        size += 2 + strlen(names[n]);
    }
    return size;
}

static uint8_t *put_names(uint8_t *at, const char *const *names, size_t count)
{
    size_t n;
    at = put(at, count, 2);
    for (n = 0; n < count; n++)
        at = put_text(at, names[n]);
    return at;
}

/* Hand out `size` bytes of what is left from *at on, fit for any type. */
static void *part_of(uint8_t **at, size_t size)
{
    void *part = *at;
    *at += (size + 7) / 8 * 8;
    return part;
}

cw_link *cw_open(const cw_setup *setup)
{
    size_t lamps, keys, hello, words, room, key_words, lamp_bytes, frame, total;
    uint8_t *at;
    cw_link *link;
    if (setup == NULL || setup->path == NULL || setup->name == NULL || strlen(setup->name) > UINT16_MAX
        || strlen(setup->path) >= sizeof link->address.sun_path) {
        errno = EINVAL;
        return NULL;
    }
    lamps = size_of(setup->lamps, setup->lamp_count);
    keys = size_of(setup->keys, setup->key_count);
    hello = 5 + 20 + 2 + strlen(setup->name) + lamps + keys;
    frame = 5 + 6 + (setup->lamp_count + 7) / 8 + 4 * setup->lamp_count;
    if (lamps == 0 || keys == 0 || hello - 4 > LONGEST || frame - 4 > LONGEST) {
        errno = EINVAL;
        return NULL;
    }
    words = (setup->lamp_count + 63) / 64;
    room = (words + 3) / 4 * 4;
    key_words = (setup->key_count + 63) / 64;
    lamp_bytes = (setup->lamp_count + 7) / 8;
    total = (sizeof *link + 7) / 8 * 8 + (hello + 7) / 8 * 8;
    total += 8 * room * (BATCH + 3 + 2 * COUNT_PLANES + LOW_PLANES + SUM_PLANES) + 8 * 3 * words + 8 * 2 * key_words;
    total += (4 * setup->lamp_count + 7) / 8 * 8 + (4 * setup->key_count + 7) / 8 * 8;
    total += (hello + frame + SMALL + 7) / 8 * 8 + (hello + SMALL + 7) / 8 * 8;
    at = (uint8_t *)calloc(1, total);
    if (at == NULL)
        return NULL;
    link = (cw_link *)part_of(&at, sizeof *link);
    link->address.sun_family = AF_UNIX;
    strcpy(link->address.sun_path, setup->path);
    link->lamp_count = setup->lamp_count;
    link->key_count = setup->key_count;
    link->words = words;
    link->room = room;
    link->lamp_bytes = lamp_bytes;
    link->own_time = setup->own_time;
    link->knows = setup->knows & (CW_POWER | CW_STATE);
    link->batch = (uint64_t *)part_of(&at, 8 * room * BATCH);
    link->ones = (uint64_t *)part_of(&at, 8 * room);
    link->twos = (uint64_t *)part_of(&at, 8 * room);
    link->fours = (uint64_t *)part_of(&at, 8 * room);
    link->eights = (uint64_t *)part_of(&at, 8 * room * COUNT_PLANES);
    link->waiting = (uint64_t *)part_of(&at, 8 * room * COUNT_PLANES);
    link->low_sums = (uint64_t *)part_of(&at, 8 * room * LOW_PLANES);
    link->sums = (uint64_t *)part_of(&at, 8 * room * SUM_PLANES);
    link->stand = (uint64_t *)part_of(&at, 8 * words);
    link->shown = (uint64_t *)part_of(&at, 8 * words);
    link->lamps_missing = (uint64_t *)part_of(&at, 8 * words);
    link->closed = (uint64_t *)part_of(&at, 8 * key_words);
    link->keys_missing = (uint64_t *)part_of(&at, 8 * key_words);
    link->on_time = (uint32_t *)part_of(&at, 4 * setup->lamp_count);
    link->presses = (uint32_t *)part_of(&at, 4 * setup->key_count);
    link->hello = (uint8_t *)part_of(&at, hello);
    link->hello_size = hello;
    link->out_size = hello + frame + SMALL;
    link->out = (uint8_t *)part_of(&at, link->out_size);
    link->in_size = hello + SMALL;
    link->in = (uint8_t *)part_of(&at, link->in_size);
    link->socket = -1;
    link->latest = link->stand;
    link->cycles_left = link->cycles_between = 1;
    link->run_ticks = 1; /* never 0 */
    link->pace = 1;
    at = put(link->hello, hello - 4, 4);
    at = put(at, HELLO, 1);
    at = put(put(at, 1, 2), VERSION, 2);
    at = put(at, setup->run != 0 ? setup->run : clock_now() ^ (uint64_t)getpid() << 40 ^ (uint64_t)time(NULL) << 24, 8);
    at = put(at, bits_of(setup->ticks_per_second), 8);
    at = put_names(put_text(at, setup->name), setup->lamps, setup->lamp_count);
    put_names(at, setup->keys, setup->key_count);
    return link;
}

void cw_close(cw_link *link)
{
    if (link != NULL)
        lost(link);
    free(link);
}

static int poll_at(cw_link *link, uint64_t now)
{
    link->polled_at = now;
    if (link->socket < 0 && now >= link->next_try) {
        link->next_try = now + RETRY;
        connect_now(link);
    }
    if (link->socket >= 0) {
        receive(link);
        flush_out(link);
        if (link->welcomed && now >= link->next_frame)
            send_frame(link, now);
        flush_out(link);
    }
    return link->welcomed;
}

NOT_INLINE static void look(cw_link *link)
{
    uint64_t now = clock_now(), passed = now - link->looked_at;
    /* Mean to look each LOOK: twice as rarely if this was soon, the more often the later it was. */
    if (passed < LOOK / 2 && link->cycles_between < 1u << 20)
        link->cycles_between *= 2;
    else if (passed > 2 * LOOK)
        link->cycles_between = passed > LOOK * link->cycles_between ? 1
            : (uint32_t)(LOOK * link->cycles_between / passed);
    link->cycles_left = link->cycles_between;
    link->looked_at = now;
    poll_at(link, now);
}

/* Do what is due after a cycle that filled the batch, or after which the clock is to be read. */
NOT_INLINE static void after_cycle(cw_link *link)
{
    if (link->batched == BATCH)
        full_batch(link);
    if (link->cycles_left == 0 && !link->clock_is_theirs)
        look(link);
}

/* Count a cycle as long as those in the batch, for which there is room. */
static void count_cycle(cw_link *link, const uint64_t *lamps, uint32_t ticks)
{
    const size_t words = link->words;
    uint64_t *slot = link->batch + link->batched++ * link->room;
    size_t w;
    for (w = 0; w + 4 <= words; w += 4)
        memcpy(slot + w, lamps + w, 4 * sizeof *slot);
    for (; w < words; w++)
        slot[w] = lamps[w];
    link->latest = slot;
    link->elapsed += ticks;
    if (--link->cycles_left == 0 || link->batched == BATCH)
        after_cycle(link);
}

NOT_INLINE static void other_cycle(cw_link *link, const uint64_t *lamps, uint32_t ticks)
{
    if (!link->welcomed || ticks == 0) {
        cw_rest(link, lamps);
        link->cycles_left--;
        after_cycle(link);
        return;
    }
    if (link->elapsed > MOST_TICKS - ticks)
        forget_on_time(link); /* held up for very long: the oldest goes */
    if (ticks != link->run_ticks)
        end_batch(link);
    link->run_ticks = ticks;
    count_cycle(link, lamps, ticks);
}

void cw_cycle(cw_link *link, const uint64_t *lamps, uint32_t ticks)
{
    if (link->welcomed && ticks == link->run_ticks && link->elapsed <= MOST_TICKS - ticks)
        count_cycle(link, lamps, ticks);
    else
        other_cycle(link, lamps, ticks);
}

void cw_rest(cw_link *link, const uint64_t *lamps)
{
    memcpy(link->stand, lamps, link->words * sizeof *lamps);
    link->latest = link->stand;
}

int cw_poll_at(cw_link *link, uint64_t now)
{
    link->clock_is_theirs = 1;
    return poll_at(link, now);
}

int cw_poll(cw_link *link)
{
    return poll_at(link, clock_now());
}

int cw_wait(cw_link *link, int milliseconds)
{
    struct pollfd wait;
    int longest = (int)(RETRY / 1000000);
    cw_poll(link);
    if (milliseconds < 0 || (milliseconds > longest && link->socket < 0))
        milliseconds = longest;
    wait.fd = link->socket;
    wait.events = (short)(POLLIN | (link->out_from < link->out_to ? POLLOUT : 0));
    wait.revents = 0;
    if (milliseconds != 0)
        poll(&wait, link->socket >= 0, milliseconds);
    return cw_poll(link);
}

int cw_descriptor(const cw_link *link)
{
    return link->socket;
}

const char *cw_refusal(const cw_link *link)
{
    return link->refusal;
}

int cw_refusal_cause(const cw_link *link)
{
    return link->cause;
}

int cw_lamp_missing(const cw_link *link, size_t lamp)
{
    return lamp < link->lamp_count && bit(link->lamps_missing, lamp);
}

int cw_key_missing(const cw_link *link, size_t key)
{
    return key < link->key_count && bit(link->keys_missing, key);
}

double cw_pace(const cw_link *link)
{
    return link->pace;
}

int cw_key(const cw_link *link, size_t key)
{
    return key < link->key_count && bit(link->closed, key);
}

unsigned cw_presses(cw_link *link, size_t key)
{
    unsigned count = 0;
    if (key < link->key_count) {
        count = link->presses[key];
        link->presses[key] = 0;
    }
    return count;
}

void cw_read(cw_link *link)
{
    if (link->card_wanted)
        return;
    link->card_wanted = 1;
    if (link->welcomed)
        message(link, READ, 0);
    flush_out(link);
}

int cw_card_came(cw_link *link, cw_card *card)
{
    if (!link->card_here)
        return 0;
    link->card_here = 0;
    *card = link->card;
    return 1;
}

int cw_cycle_over(const cw_link *link)
{
    return link->cycle_over;
}

uint32_t cw_last_card(const cw_link *link)
{
    return link->last_card;
}

/* Return how many milliseconds are left until `end`, 0 for none. */
static int left(uint64_t end, int milliseconds)
{
    uint64_t now = clock_now();
    if (milliseconds < 0)
        return CW_FOREVER;
    return end > now ? (int)((end - now + 999999) / 1000000) : 0;
}

static uint64_t end_of(int milliseconds)
{
    return clock_now() + (milliseconds > 0 ? (uint64_t)milliseconds * 1000000 : 0);
}

int cw_read_wait(cw_link *link, cw_card *card, int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    if (!link->card_here)
        cw_read(link);
    while (!cw_card_came(link, card)) {
        int more = left(end, milliseconds);
        cw_wait(link, more);
        if (more == 0)
            return cw_card_came(link, card);
    }
    return 1;
}

uint32_t cw_punch(cw_link *link, const uint16_t column[CW_COLUMNS])
{
    uint8_t *at = link->punch_card;
    int n;
    if (link->punch_wanted)
        return 0;
    for (n = 0; n < CW_COLUMNS; n++)
        at = put(at, column[n] & 0xFFF, 2);
    link->punch_number++;
    link->punch_wanted = 1;
    if (link->welcomed)
        send_punch(link);
    flush_out(link);
    return link->punch_number;
}

int cw_punched(const cw_link *link)
{
    return !link->punch_wanted;
}

int cw_punch_wait(cw_link *link, const uint16_t column[CW_COLUMNS], int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    int asked = 0;
    for (;;) {
        int more;
        if (!asked)
            asked = cw_punch(link, column) != 0;
        if (asked && cw_punched(link))
            return 1;
        more = left(end, milliseconds);
        cw_wait(link, more);
        if (more == 0)
            return asked && cw_punched(link);
    }
}

size_t cw_type(cw_link *link, const char *codes, size_t count)
{
    size_t room;
    if (count > link->credit)
        count = link->credit;
    room = link->out_size - (link->out_to - link->out_from);
    room = room < RESERVE ? 0 : room - RESERVE; /* so that what is asked for can always be sent */
    if (count > room)
        count = room;
    if (count == 0 || !link->welcomed)
        return 0;
    memcpy(message(link, TYPE, count), codes, count);
    link->credit -= (uint32_t)count;
    flush_out(link);
    return count;
}

size_t cw_type_wait(cw_link *link, const char *codes, size_t count, int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    size_t done = 0;
    for (;;) {
        int more;
        done += cw_type(link, codes + done, count - done);
        if (done == count)
            return done;
        more = left(end, milliseconds);
        cw_wait(link, more);
        if (more == 0)
            return done + cw_type(link, codes + done, count - done);
    }
}

int cw_keyboard(cw_link *link)
{
    int code;
    if (link->typed_count == 0)
        return -1;
    code = link->typed[link->typed_from];
    link->typed_from = (link->typed_from + 1) % TYPED;
    link->typed_count--;
    return code;
}

int cw_keyboard_wait(cw_link *link, int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    int code;
    while ((code = cw_keyboard(link)) < 0) {
        int more = left(end, milliseconds);
        cw_wait(link, more);
        if (more == 0)
            return cw_keyboard(link);
    }
    return code;
}

int cw_task_came(cw_link *link, cw_task *task)
{
    if (!link->task_here)
        return 0;
    link->task_here = 0;
    link->taken_number = link->task_number;
    *task = link->task;
    return 1;
}

int cw_task_wait(cw_link *link, cw_task *task, int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    while (!cw_task_came(link, task)) {
        int more = left(end, milliseconds);
        cw_wait(link, more);
        if (more == 0)
            return cw_task_came(link, task);
    }
    return 1;
}

void cw_done(cw_link *link, int failed, const char *words)
{
    if (link->taken_number != 0 && link->welcomed)
        send_done(link, link->taken_number, failed, words != NULL ? words : "");
    link->taken_number = 0;
    flush_out(link);
}

int cw_done_wait(cw_link *link, int failed, const char *words, int milliseconds)
{
    uint64_t end = end_of(milliseconds);
    cw_done(link, failed, words);
    while (link->out_from < link->out_to) {
        int more = left(end, milliseconds);
        if (more == 0)
            return 0;
        cw_wait(link, more);
    }
    return 1;
}

int cw_power(const cw_link *link)
{
    return !link->power_off;
}

static const device *device_of(const cw_link *link, const char *name)
{
    static const device unknown = {"", "", ""};
    int n;
    for (n = 0; n < DEVICES; n++)
        if (strcmp(link->devices[n].name, name) == 0)
            return &link->devices[n];
    return &unknown;
}

const char *cw_device_state(const cw_link *link, const char *device)
{
    return device_of(link, device)->state;
}

const char *cw_device_words(const cw_link *link, const char *device)
{
    return device_of(link, device)->words;
}
