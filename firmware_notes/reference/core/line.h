/* Lines of the protocol: checksum, taking apart, putting together. See protocol.md, Lines. */
#ifndef LINE_H
#define LINE_H

#include "hw.h"

#define LINE_MAX 96 /* with the LF */
#define WORDS_MAX 8
#define ANSWER_MAX 80

uint16_t crc_byte(uint16_t crc, uint8_t byte);

struct line {
    char kind;
    uint16_t number;
    uint8_t words;          /* more than WORDS_MAX: there were too many to keep */
    char *word[WORDS_MAX];  /* the first is the command */
};

enum line_verdict { LINE_NOTHING, LINE_GARBLED, LINE_VALID };

/* Take one byte; says at a line end what the line was. The words live until the next byte. */
enum line_verdict line_take(char c, struct line *line);

/* Values of words in ten-thousandths, in the order of `letters`. */
struct words {
    int32_t value[5];
    uint8_t given; /* bit per letter */
};

/* False when a word is malformed or given twice; unknown ones are bad unless `lenient`. */
bool words_read(const struct line *line, const char *letters, bool lenient, struct words *out);
int32_t words_whole(const struct words *words, uint8_t index); /* decimals cut off */

/* Writing: begin, add words, end. The text ends with LF and a zero. */
void text_begin(char *into, char kind, uint16_t number);
void text_word(const char *flash_text);
void text_number(char letter, uint32_t value);             /* 0: no letter */
void text_decimal(char letter, int32_t value, uint8_t decimals);
void text_end(void);

#endif
