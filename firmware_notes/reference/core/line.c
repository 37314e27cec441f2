#include "core.h"

/* CRC-16/CCITT, polynomial 0x1021, most significant bit first; start value 0xFFFF. */
static uint16_t crc_of(const char *from, const char *end) {
    uint16_t crc = 0xFFFF;
    while (from < end) {
        crc = (uint16_t)((crc >> 8) | (crc << 8)) ^ (uint8_t)*from++;
        crc ^= (uint8_t)(crc & 0xFF) >> 4;
        crc ^= (uint16_t)(crc << 12);
        crc ^= (uint16_t)((crc & 0xFF) << 5);
    }
    return crc;
}

static char hex_digit(uint8_t value) { return (char)(value < 10 ? '0' + value : 'A' + value - 10); }
static bool is_digit(char c) { return c >= '0' && c <= '9'; }

/* -- reading ------------------------------------------------------------------------------- */

static char buffer[LINE_MAX]; /* LINE_MAX - 1 characters and a closing zero */
static uint8_t filled;
static bool overlong;

/* Splits the text at its spaces; false when it breaks the rules of a line. */
static bool take_apart(char *at, struct line *line) {
    uint32_t number = 0;
    uint8_t digits = 0;
    line->kind = *at++;
    for (; is_digit(*at) && digits < 6; digits++) number = number * 10 + (uint32_t)(*at++ - '0');
    if (digits == 0 || digits > 5 || number > 65535) return false;
    line->number = (uint16_t)number;
    for (line->words = 0; *at; line->words++) {
        if (*at != ' ') return false;
        *at++ = 0;
        if (line->words < WORDS_MAX) line->word[line->words] = at;
        if (*at == ' ' || *at == 0) return false;
        for (; *at && *at != ' '; at++)
            if (*at < '!' || *at > '~' || *at == '*') return false;
    }
    return line->kind == 'N' || line->kind == 'A' || line->kind == 'R' || line->kind == 'E';
}

/* Looks at the checksum and cuts it off. */
static bool checksum_right(void) {
    char *star = buffer + filled - 5;
    if (filled < 5 || *star != '*') return false;
    uint16_t crc = crc_of(buffer, star);
    for (uint8_t i = 4; i > 0; i--, crc >>= 4)
        if (star[i] != hex_digit(crc & 0xF)) return false;
    *star = 0;
    return true;
}

enum verdict line_take(char c, struct line *line) {
    enum verdict verdict = LINE_GARBLED;
    if (c == '\r') return LINE_NOTHING;
    if (c != '\n') {
        if (filled < LINE_MAX - 1) buffer[filled++] = c;
        else overlong = true;
        return LINE_NOTHING;
    }
    if (filled == 0) verdict = LINE_NOTHING; /* an empty line means nothing */
    else if (!overlong && checksum_right() && take_apart(buffer, line)) verdict = LINE_VALID;
    filled = overlong = 0;
    return verdict;
}

/* A plain decimal number in ten-thousandths; what does not fit becomes the largest that does. */
static bool read_number(const char *text, int32_t *value) {
    bool negative = *text == '-', full = false;
    uint8_t digits = 0, decimals = 0;
    int32_t sum = 0;
    text += negative;
    for (; is_digit(*text); text++, digits++) {
        if (sum >= INT32_MAX / ONE / 10) full = true;
        else sum = sum * 10 + (*text - '0');
    }
    if (*text == '.') {
        for (text++; is_digit(*text) && decimals < 4; decimals++) sum = sum * 10 + (*text++ - '0');
        if (decimals == 0) return false;
    }
    for (; decimals < 4; decimals++) sum *= 10;
    if (full) sum = INT32_MAX;
    *value = negative ? -sum : sum;
    return *text == 0 && digits > 0 && digits <= 12;
}

bool words_read(const struct line *line, const char *letters, bool lenient, struct words *out) {
    out->given = 0;
    if (line->words > WORDS_MAX && !lenient) return false;
    for (uint8_t w = 1; w < line->words && w < WORDS_MAX; w++) {
        uint8_t i = 0, letter;
        while ((letter = flash_byte(letters + i)) && letter != (uint8_t)line->word[w][0]) i++;
        if (!letter && lenient) continue;
        if (!letter || out->given & 1 << i) return false;
        if (!read_number(line->word[w] + 1, &out->value[i])) return false;
        out->given |= (uint8_t)(1 << i);
    }
    return true;
}

uint16_t words_whole(const struct words *words, uint8_t index) {
    int32_t whole = words->value[index] / ONE;
    return (uint16_t)(whole < 0 ? 0 : whole > UINT16_MAX ? UINT16_MAX : whole);
}

/* -- writing ------------------------------------------------------------------------------- */

static char *start, *out;

/* Room for the checksum is kept. */
static void put(char c) { if (out < start + ANSWER_MAX - 7) *out++ = c; }

/* With a point before the last `decimals`. Small chips subtract much faster than they divide. */
static void put_unsigned(uint32_t value, uint8_t decimals) {
    static const uint32_t POWERS[] = {1000000000, 100000000, 10000000, 1000000, 100000,
                                      10000,      1000,      100,      10,      1};
    bool begun = false;
    for (uint8_t i = 0; i < 10; i++) {
        char digit = '0';
        for (; value >= POWERS[i]; value -= POWERS[i]) digit++;
        begun = begun || digit != '0' || i + decimals >= 9;
        if (decimals && i + decimals == 10) put('.');
        if (begun) put(digit);
    }
}

void text_begin(char *into, char kind, uint16_t number) {
    start = out = into;
    put(kind);
    put_unsigned(number, 0);
}

void text_word(const char *flash_text) {
    put(' ');
    for (char c; (c = (char)flash_byte(flash_text)); flash_text++) put(c);
}

void text_number(char letter, uint32_t value) {
    put(' ');
    if (letter) put(letter);
    put_unsigned(value, 0);
}

void text_decimal(char letter, int32_t value, uint8_t decimals) {
    put(' ');
    put(letter);
    if (value < 0) put('-');
    put_unsigned(value < 0 ? 0UL - (uint32_t)value : (uint32_t)value, decimals);
}

void text_end(void) {
    uint16_t crc = crc_of(start, out);
    *out++ = '*';
    for (int8_t shift = 12; shift >= 0; shift -= 4) *out++ = hex_digit(crc >> shift & 0xF);
    *out++ = '\n';
    *out = 0;
}
