#include "core.h"

static uint16_t expected; /* 0: no session yet */
static uint16_t session, events; /* number of the next event */
static bool asked; /* for the expected number, since the last line that was in order */
static struct {
    uint16_t number;
    char text[ANSWER_MAX];
} kept[KEPT_ANSWERS];
static uint8_t newest;
static char passing[ANSWER_MAX]; /* what needs no keeping */
static char *current = passing;

static uint16_t after(uint16_t number) { return number == 65535 ? 1 : (uint16_t)(number + 1); }

static void send(const char *text) { while (*text) hw_send(*text++); }

static void begin_passing(char kind, uint16_t number) {
    current = passing;
    text_begin(current, kind, number);
}

void session_start(void) { expected = events = 0; }

void session_open(uint16_t number) {
    if (expected && number == session) return; /* the same HELLO once more */
    session = number;
    expected = 1;
    asked = false;
    for (uint8_t i = 0; i < KEPT_ANSWERS; i++) kept[i].number = 0;
}

void session_garbled(void) {
    if (!expected) return;
    asked = true;
    begin_passing('R', expected);
    session_send();
}

bool session_is_new(uint16_t number) {
    if (number == 0) return true;
    if (!expected) {
        begin_passing('A', number);
        text_word(TEXT("NO"));
        text_number(0, NO_SESSION);
        session_send();
        return false;
    }
    if (number == expected) {
        expected = after(expected);
        asked = false;
        return true;
    }
    uint16_t behind = (uint16_t)(expected - number - (expected < number)); /* there is no 0 */
    if (behind <= 32767) {
        for (uint8_t i = 0; i < KEPT_ANSWERS; i++)
            if (kept[i].number == number) send(kept[i].text);
    } else if (!asked) {
        session_garbled();
    }
    return false;
}

void session_answer(uint16_t number, bool accepted) {
    if (number == 0) {
        begin_passing('A', 0);
    } else {
        newest = (uint8_t)((newest + 1) % KEPT_ANSWERS);
        kept[newest].number = number;
        current = kept[newest].text;
        text_begin(current, 'A', number);
    }
    text_word(accepted ? TEXT("OK") : TEXT("NO"));
}

void session_event(const char *flash_name) {
    begin_passing('E', events);
    events = after(events);
    text_word(flash_name);
}

void session_send(void) {
    text_end();
    send(current);
}
