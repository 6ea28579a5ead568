/* exercise count|mutate SEED ROUNDS: the client against a naive count, and against messages that are none.
 *
 * Includes the client, to look inside it. Exits with 1, saying why, at the first difference. */
#include "consolewright.c"

#include <stdio.h>

static uint64_t seed;

static uint64_t random_bits(void)
{
    /* xorshift64*, from memory */
    seed ^= seed >> 12;
    seed ^= seed << 25;
    seed ^= seed >> 27;
    return seed * UINT64_C(0x2545F4914F6CDD1D);
}

static cw_link *open_link(size_t lamps, size_t keys)
{
    static char name[2100][8];
    static const char *names[2100];
    cw_setup setup;
    size_t n;
    for (n = 0; n < 2100; n++) {
        sprintf(name[n], "L.%u", (unsigned)n);
        names[n] = name[n];
    }
    memset(&setup, 0, sizeof setup);
    setup.path = "/nowhere";
    setup.name = "exercise";
    setup.lamps = setup.keys = names;
    setup.lamp_count = lamps;
    setup.key_count = keys;
    setup.ticks_per_second = 1e6;
    setup.run = 1;
    setup.knows = CW_POWER | CW_STATE;
    return cw_open(&setup);
}

static uint32_t next_ticks(int kind, uint32_t before)
{
    switch (kind) {
    case 0: return 1;
    case 1: return (uint32_t)(random_bits() % 15) + 1;
    case 2: return random_bits() % 9 ? before : (uint32_t)(random_bits() % 4096) + 1;
    case 3: return random_bits() % 8 ? before : before ^ 3;
    default: return (uint32_t)(random_bits() >> (32 + random_bits() % 32)) % 2000000 + 1;
    }
}

static int count(unsigned rounds)
{
    static uint64_t naive[2100];
    static const size_t sizes[] = {0, 1, 7, 8, 24, 63, 64, 65, 191, 256, 2048};
    unsigned round;
    for (round = 0; round < rounds; round++) {
        size_t lamps = sizes[random_bits() % (sizeof sizes / sizeof *sizes)], n, cycles = random_bits() % 5000;
        cw_link *link = open_link(lamps, 3);
        int kind = (int)(random_bits() % 5), density = (int)(random_bits() % 4), bad = 0;
        uint64_t total = 0, frame_at = 0, words[33];
        uint32_t ticks = 1;
        memset(naive, 0, sizeof naive);
        memset(words, 0, sizeof words);
        link->welcomed = 1;
        while (cycles-- > 0) {
            link->cycles_left = 1u << 30; /* no look at the clock */
            for (n = 0; n < 33; n++)
                words[n] = density == 0 ? ~UINT64_C(0) : density == 1 ? random_bits() : density == 2
                    ? random_bits() & random_bits() & random_bits() : words[n] ^ (random_bits() % 16 ? 0 : 1u << 5);
            ticks = next_ticks(kind, ticks);
            if (total + ticks >= MOST_TICKS)
                break;
            cw_cycle(link, words, ticks);
            total += ticks;
            for (n = 0; n < lamps; n++)
                naive[n] += (words[n / 64] >> n % 64 & 1) * ticks;
            if (random_bits() % 1000 == 0 || cycles == 0) {
                const uint8_t *at;
                link->out_to = link->out_from = 0;
                send_frame(link, ++frame_at);
                at = link->out;
                bad = get(at, 4) != 7 + link->lamp_bytes + 4 * lamps || at[4] != LAMPS || get(at + 5, 4) != total
                    || get(at + 9, 2) != link->lamp_bytes;
                for (n = 0; n < lamps && !bad; n++)
                    bad = get(at + 11 + link->lamp_bytes + 4 * n, 4) != naive[n]
                        || (at[11 + n / 8] >> n % 8 & 1) != (words[n / 64] >> n % 64 & 1);
                if (bad) {
                    printf("round %u: %u lamps, kind %d: lamp %u\n", round, (unsigned)lamps, kind, (unsigned)n - 1);
                    return 1;
                }
                memset(naive, 0, sizeof naive);
                total = 0;
            }
        }
        cw_close(link);
    }
    return 0;
}

/* Write a message that a console may send, and return its size. */
static size_t sample(uint8_t *at)
{
    static const int types[] = {WELCOME, KEY, CARD, CYCLE_END, PUNCHED, CREDIT,
                                DEVICE, KEYBOARD, LAST_CARD, REFUSED, 0x70, TASK};
    uint8_t *end = at + 4;
    int type = types[random_bits() % 12], n;
    end = put(end, (uint64_t)type, 1);
    switch (type) {
    case WELCOME:
        end = put(put(put(put(end, 1, 2), bits_of(2.5), 8), 1, 2), 5, 1);
        end = put_text(put_text(put(end, 2, 2), "L.0"), "unknown");
        end = put_text(put(end, 1, 2), "L.2");
        break;
    case KEY: end = put(put(put(end, 7, 8), random_bits() % 5, 2), random_bits() % 2, 1); break;
    case CARD:
        end = put(put(put(end, 9, 4), 1, 8), 2, 8);
        for (n = 0; n < CW_COLUMNS; n++)
            end = put(end, random_bits() & 0xFFF, 2);
        break;
    case CYCLE_END: case PUNCHED: case LAST_CARD: end = put(put(end, random_bits() % 3, 4), 1, 8); break;
    case CREDIT: end = put(end, random_bits() % 100, 2); break;
    case DEVICE: end = put_text(put_text(put_text(end, "reader"), "ready"), "t\xC3\xB6 read"); break;
    case TASK:
        end = put(put(put(end, random_bits(), 4), random_bits() % 6, 1), 5000, 4);
        end = put_text(end, random_bits() % 2 ? "evening" : "../x");
        break;
    case REFUSED: end = put_text(end, "because"); break;
    default: end = put(end, random_bits(), 6); break;
    }
    put(at, (uint64_t)(end - at - 4), 4);
    return (size_t)(end - at);
}

static int mutate(unsigned rounds)
{
    unsigned round;
    for (round = 0; round < rounds; round++) {
        static uint8_t bytes[8192];
        int pair[2];
        size_t size = 0, sent = 0;
        cw_link *link = open_link(70, 5);
        cw_card card;
        cw_task task;
        uint64_t lamps[2] = {5, 1};
        uint16_t column[CW_COLUMNS] = {1};
        unsigned n, changes = (unsigned)(random_bits() % 4);
        if (socketpair(AF_UNIX, SOCK_STREAM, 0, pair) < 0)
            return 1;
        fcntl(pair[0], F_SETFL, O_NONBLOCK);
        link->socket = pair[0];
        while (size < 4000)
            size += sample(bytes + size);
        for (n = 0; n < changes; n++) {
            size_t at = random_bits() % size;
            if (random_bits() % 3 == 0)
                size = at + 1;
            else
                bytes[at] = (uint8_t)random_bits();
        }
        while (sent < size) {
            size_t piece = random_bits() % 300 + 1;
            if (piece > size - sent)
                piece = size - sent;
            if (send(pair[1], bytes + sent, piece, MSG_NOSIGNAL | MSG_DONTWAIT) < 0)
                break;
            sent += piece;
            cw_poll_at(link, round * FRAME);
            cw_cycle(link, lamps, 3);
            cw_type(link, "SKERRY", 6);
            cw_read(link);
            cw_card_came(link, &card);
            cw_punch(link, column);
            cw_keyboard(link);
            if (cw_task_came(link, &task))
                cw_done(link, task.what == CW_SAVE, task.words);
            (void)strlen(cw_refusal(link));
            (void)strlen(cw_device_words(link, "reader"));
            while (recv(pair[1], bytes + 4096, 4096, MSG_DONTWAIT) > 0)
                ;
        }
        if (changes == 0 && (link->socket < 0 || !cw_key_missing(link, 2) || cw_pace(link) != 2.5)) {
            printf("round %u: %s\n", round, cw_refusal(link));
            return 1;
        }
        close(pair[1]);
        cw_close(link);
    }
    return 0;
}

int main(int words, char **word)
{
    if (words != 4)
        return 2;
    seed = strtoull(word[2], NULL, 10) * 2 + 1;
    return strcmp(word[1], "count") == 0 ? count((unsigned)atoi(word[3])) : mutate((unsigned)atoi(word[3]));
}
