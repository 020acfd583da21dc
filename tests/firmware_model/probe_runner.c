/* The box on a PC as a process for tests: each message is count(2) bytes on standard input; the answer is
 * count(4), then what it has sent. After each message an edge comes on line 3. */
#include <stdio.h>

#include "probe/host.h"

static uint8_t bytes[65536], sent[1 << 20];

int main(void) {
    lift_box_t *box = lift_box_new();
    for (;;) {
        int low = getchar();
        int high = getchar();
        if (high == EOF) {
            lift_box_free(box);
            return 0;
        }
        size_t count = (size_t)(low | high << 8);
        if (fread(bytes, 1, count, stdin) != count) {
            return 1;
        }
        lift_box_receive(box, bytes, (int32_t)count);
        lift_box_edge(box, (uint32_t)count, 3);
        int32_t length = lift_box_sent(box, sent, sizeof(sent));
        uint8_t head[4] = {(uint8_t)length, (uint8_t)(length >> 8), (uint8_t)(length >> 16), 0};
        fwrite(head, 1, 4, stdout);
        fwrite(sent, 1, (size_t)length, stdout);
        fflush(stdout);
        while (lift_box_played(box, sent, sizeof(sent)) > 0) {
        }
    }
}
