/* A target for libFuzzer: whatever a console may send, in pieces, to the client. Its first byte says how large they are. */
#include "consolewright.c"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const lamps[] = {"A.1", "A.0", "RUN"}, *const keys[] = {"START", "STOP"};
    static const uint16_t column[CW_COLUMNS] = {0x801};
    const uint64_t lit = 5;
    uint8_t heard[4096];
    cw_setup setup;
    cw_card card;
    cw_task task;
    cw_link *link;
    uint64_t now = 0;
    size_t piece;
    int pair[2];
    if (size < 1 || socketpair(AF_UNIX, SOCK_STREAM, 0, pair) < 0)
        return 0;
    memset(&setup, 0, sizeof setup);
    setup.path = "/nowhere";
    setup.name = "fuzz";
    setup.lamps = lamps;
    setup.lamp_count = 3;
    setup.keys = keys;
    setup.key_count = 2;
    setup.ticks_per_second = 1e6;
    setup.run = 1;
    setup.knows = CW_POWER | CW_STATE;
    link = cw_open(&setup);
    if (link == NULL)
        return 0;
    fcntl(pair[0], F_SETFL, O_NONBLOCK);
    link->socket = pair[0];
    piece = (size_t)1 + *data++ * 16u;
    for (size--; size > 0 && link->socket >= 0; now += FRAME) {
        if (piece > size)
            piece = size;
        if (send(pair[1], data, piece, MSG_NOSIGNAL | MSG_DONTWAIT) != (ssize_t)piece)
            break;
        data += piece;
        size -= piece;
        cw_poll_at(link, now);
        cw_cycle(link, &lit, 3);
        cw_type(link, "SKERRY", 6);
        cw_read(link);
        cw_card_came(link, &card);
        cw_punch(link, column);
        cw_keyboard(link);
        if (cw_task_came(link, &task))
            cw_done(link, task.what == CW_SAVE, task.words);
        cw_presses(link, 0);
        (void)strlen(cw_refusal(link));
        (void)strlen(cw_device_words(link, "reader"));
        while (recv(pair[1], heard, sizeof heard, MSG_DONTWAIT) > 0)
            ;
    }
    close(pair[1]);
    cw_close(link);
    return 0;
}
