/* The messages that carry a table; used by link.c only. Each handler gets the content of a question and fills an answer. */
#ifndef LINK_TRANSFER_H
#define LINK_TRANSFER_H
#include "link.h"

#define LINK_ANSWER_HEAD 6u

typedef struct {
    link_result_t result;
    uint8_t detail;
    uint16_t section, field;
    uint8_t content[FRAME_CONTENT_MAX - LINK_ANSWER_HEAD];
    size_t content_bytes;
} link_answer_t;

typedef struct {
    const uint8_t *bytes;
    size_t n;
} link_question_t;

void link_begin(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_block(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_finish(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_commit(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_read(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_abort(link_t *link, const link_question_t *question, link_answer_t *answer);
void link_transfer_poll(link_t *link);

#endif
