/* Which slot is loaded: two decision tables. A row is a case, a column a fact; the code is the table. Every combination of facts
 * fits exactly one row (tests/unit/link walks all of them). */
#include "store.h"

#define BIT(value) (1u << (value))
#define COUNT_OF(array) (sizeof(array) / sizeof((array)[0]))

enum {
    BLANK = BIT(STORE_PART_BLANK),
    BAD = BIT(STORE_PART_BAD),
    GOOD = BIT(STORE_PART_GOOD),
    NOT_GOOD = BLANK | BAD,
    ANY_PART = BLANK | BAD | GOOD,
    CLEAR = BIT(STORE_VERDICT_BLANK),
    TORN = BIT(STORE_VERDICT_BAD),
    CONFIRMED = BIT(STORE_VERDICT_CONFIRMED),
    CANCELLED = BIT(STORE_VERDICT_CANCELLED),
    UNCONFIRMED = CLEAR | TORN | CANCELLED,
    ANY_VERDICT = UNCONFIRMED | CONFIRMED,
    NO = 1,
    YES = 2,
    EITHER = NO | YES
};

typedef struct {
    uint8_t header, verdict, commit, whole, settled;
    store_class_t slot_class;
} class_row_t;

/* The settled record is programmed only after table and commit record were read back good in the same run. One that was cut may read
 * whole at one start and blank at the next, torn cells moving together: so a commit record that reads good brings the table up whatever
 * the settled record reads as, and settle() makes both certain first. A commit record that was cut may read good or not in the same
 * way: where it does not, the upload is cancelled, even one that seems never to have come to its commit. A verdict is written by
 * those starts, where a record cannot be made certain, and by a commit that fails. */
static const class_row_t class_table[] = {
    /* header   verdict      commit    whole   settled   */
    {GOOD,     ANY_VERDICT, ANY_PART, YES,    GOOD,     STORE_SLOT_SETTLED}, /* a rotted commit record does no harm: its twin stands */
    {GOOD,     ANY_VERDICT, ANY_PART, NO,     GOOD,     STORE_SLOT_DAMAGED},
    {NOT_GOOD, ANY_VERDICT, ANY_PART, EITHER, GOOD,     STORE_SLOT_DAMAGED},
    {GOOD,     CONFIRMED,   ANY_PART, YES,    NOT_GOOD, STORE_SLOT_SETTLED},
    {GOOD,     CONFIRMED,   ANY_PART, NO,     NOT_GOOD, STORE_SLOT_DAMAGED},
    {NOT_GOOD, CONFIRMED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_DAMAGED},
    {GOOD,     CANCELLED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_UNFINISHED},
    {GOOD,     TORN,        ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_OPEN},
    {GOOD,     CLEAR,       GOOD,     YES,    NOT_GOOD, STORE_SLOT_DOUBT},
    {GOOD,     CLEAR,       NOT_GOOD, YES,    NOT_GOOD, STORE_SLOT_OPEN},
    {GOOD,     CLEAR,       ANY_PART, NO,     NOT_GOOD, STORE_SLOT_UNFINISHED},
    {BLANK,    UNCONFIRMED, ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_BLANK},
    {BAD,      UNCONFIRMED, ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_RUBBISH},
};

enum {
    NOTHING = BIT(STORE_SLOT_BLANK) | BIT(STORE_SLOT_RUBBISH) | BIT(STORE_SLOT_UNFINISHED) | BIT(STORE_SLOT_OPEN),
    USABLE = BIT(STORE_SLOT_DOUBT) | BIT(STORE_SLOT_SETTLED),
    DAMAGED = BIT(STORE_SLOT_DAMAGED),
    NEWER_0 = BIT(STORE_0_NEWER),
    NEWER_1 = BIT(STORE_1_NEWER),
    SAME = BIT(STORE_SAME_AGE),
    ANY_ORDER = NEWER_0 | NEWER_1 | SAME
};

typedef struct {
    uint8_t slot_0, slot_1, order;
    store_choice_t choice;
} choice_row_t;

static const choice_row_t choice_table[] = {
    /* slot 0  slot 1   which is newer */
    {NOTHING, NOTHING, ANY_ORDER,       STORE_TAKE_NONE},
    {USABLE,  NOTHING, ANY_ORDER,       STORE_TAKE_0},
    {NOTHING, USABLE,  ANY_ORDER,       STORE_TAKE_1},
    {USABLE,  USABLE,  NEWER_0,         STORE_TAKE_0},
    {USABLE,  USABLE,  NEWER_1,         STORE_TAKE_1},
    {USABLE,  USABLE,  SAME,            STORE_TAKE_DAMAGED}, /* this store never makes two of one age */
    {DAMAGED, USABLE,  NEWER_1,         STORE_TAKE_1},
    {DAMAGED, USABLE,  NEWER_0 | SAME,  STORE_TAKE_DAMAGED}, /* INV-STORE-5 */
    {USABLE,  DAMAGED, NEWER_0,         STORE_TAKE_0},
    {USABLE,  DAMAGED, NEWER_1 | SAME,  STORE_TAKE_DAMAGED}, /* INV-STORE-5 */
    {DAMAGED, NOTHING, ANY_ORDER,       STORE_TAKE_DAMAGED},
    {NOTHING, DAMAGED, ANY_ORDER,       STORE_TAKE_DAMAGED},
    {DAMAGED, DAMAGED, ANY_ORDER,       STORE_TAKE_DAMAGED},
};

static bool class_row_fits(const class_row_t *row, const store_facts_t *facts)
{
    return (row->header & BIT(facts->header)) != 0 && (row->verdict & BIT(facts->verdict)) != 0 &&
           (row->commit & BIT(facts->commit)) != 0 && (row->whole & (facts->whole ? YES : NO)) != 0 &&
           (row->settled & BIT(facts->settled)) != 0;
}

static uint32_t find_class(const store_facts_t *facts, store_class_t *found)
{
    CORE_ASSERT(facts->header < STORE_PARTS && facts->commit < STORE_PARTS && facts->settled < STORE_PARTS);
    CORE_ASSERT(facts->verdict < STORE_VERDICTS);
    uint32_t rows = 0;
    for (size_t i = 0; i < COUNT_OF(class_table); i++) {
        if (class_row_fits(&class_table[i], facts)) {
            *found = class_table[i].slot_class;
            rows++;
        }
    }
    return rows;
}

static uint32_t find_choice(store_class_t slot_0, store_class_t slot_1, store_order_t order, store_choice_t *found)
{
    CORE_ASSERT(slot_0 < STORE_SLOT_CLASSES && slot_1 < STORE_SLOT_CLASSES && order < STORE_ORDERS);
    uint32_t rows = 0;
    for (size_t i = 0; i < COUNT_OF(choice_table); i++) {
        const choice_row_t *row = &choice_table[i];
        if ((row->slot_0 & BIT(slot_0)) != 0 && (row->slot_1 & BIT(slot_1)) != 0 && (row->order & BIT(order)) != 0) {
            *found = row->choice;
            rows++;
        }
    }
    return rows;
}

store_class_t store_class(const store_facts_t *facts)
{
    CORE_ASSERT(facts != NULL);
    store_class_t found = STORE_SLOT_RUBBISH;
    const uint32_t rows = find_class(facts, &found);
    CORE_ASSERT(rows == 1);
    return found;
}

uint32_t store_class_rows(const store_facts_t *facts)
{
    CORE_ASSERT(facts != NULL);
    store_class_t found;
    return find_class(facts, &found);
}

store_choice_t store_choose(store_class_t slot_0, store_class_t slot_1, store_order_t order)
{
    store_choice_t found = STORE_TAKE_DAMAGED;
    const uint32_t rows = find_choice(slot_0, slot_1, order, &found);
    CORE_ASSERT(rows == 1);
    return found;
}

uint32_t store_choose_rows(store_class_t slot_0, store_class_t slot_1, store_order_t order)
{
    store_choice_t found;
    return find_choice(slot_0, slot_1, order, &found);
}
