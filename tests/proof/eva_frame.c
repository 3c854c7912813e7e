/* Any bytes, any number of them, to the receiver of frames. */
#include "__fc_builtin.h"

#include "frame.h"

volatile uint8_t seen;

int main(void)
{
    static frame_receiver_t receiver;
    frame_t frame = {0, 0, 0, NULL, 0};
    frame_start(&receiver);
    /*@ loop widen_hints receiver.count, FRAME_BYTES_MAX; */
    while (Frama_C_nondet(0, 1)) {
        if (frame_receive(&receiver, Frama_C_unsigned_char_interval(0, 255), &frame) == FRAME_READY) {
        }
    }
    return 0;
}
