#include "line.h"

#define SCALE 10000

/* CRC-16/CCITT, polynomial 0x1021, most significant bit first; start value 0xFFFF. */
uint16_t crc_byte(uint16_t crc, uint8_t byte) {
    crc = (uint16_t)((crc >> 8) | (crc << 8));
    crc ^= byte;
    crc ^= (uint8_t)(crc & 0xFF) >> 4;
    crc ^= (uint16_t)(crc << 12);
    crc ^= (uint16_t)((crc & 0xFF) << 5);
    return crc;
}

static uint16_t crc_of(const char *from, const char *end) {
    uint16_t crc = 0xFFFF;
    while (from < end) crc = crc_byte(crc, (uint8_t)*from++);
    return crc;
}

static char hex_digit(uint8_t value) { return (char)(value < 10 ? '0' + value : 'A' + value - 10); }

/* -- reading ------------------------------------------------------------------------------- */

static char buffer[LINE_MAX]; /* LINE_MAX - 1 characters and a closing zero */
static uint8_t filled;
static bool overlong;

static bool is_digit(char c) { return c >= '0' && c <= '9'; }

/* Splits `buffer` at its spaces; false when it breaks the rules of a line. */
static bool take_apart(char *end, struct line *line) {
    char *at = buffer;
    uint32_t number = 0;
    uint8_t digits = 0;
    *end = 0;
    line->kind = *at++;
    while (is_digit(*at) && digits < 6) {
        number = number * 10 + (uint32_t)(*at++ - '0');
        digits++;
    }
    if (digits == 0 || digits > 5 || number > 65535) return false;
    if (line->kind != 'N' && line->kind != 'A' && line->kind != 'R' && line->kind != 'E') return false;
    line->number = (uint16_t)number;
    line->words = 0;
    while (*at) {
        if (*at != ' ') return false;
        *at++ = 0;
        if (line->words < WORDS_MAX) line->word[line->words] = at;
        line->words++;
        if (*at == ' ' || *at == 0) return false;
        for (; *at && *at != ' '; at++)
            if (*at < '!' || *at > '~' || *at == '*') return false;
    }
    return true;
}

static bool checksum_right(char **body_end) {
    if (filled < 5) return false;
    char *star = buffer + filled - 5;
    if (*star != '*') return false;
    uint16_t crc = crc_of(buffer, star);
    for (int8_t i = 4; i > 0; i--, crc >>= 4)
        if (star[i] != hex_digit(crc & 0xF)) return false;
    *body_end = star;
    return true;
}

enum line_verdict line_take(char c, struct line *line) {
    if (c == '\r') return LINE_NOTHING;
    if (c != '\n') {
        if (filled < LINE_MAX - 1) buffer[filled++] = c;
        else overlong = true;
        return LINE_NOTHING;
    }
    char *end;
    enum line_verdict verdict = LINE_GARBLED;
    if (filled == 0) verdict = LINE_NOTHING; /* an empty line means nothing */
    else if (!overlong && checksum_right(&end) && take_apart(end, line)) verdict = LINE_VALID;
    filled = 0;
    overlong = false;
    return verdict;
}

/* A plain decimal number in ten-thousandths; what does not fit becomes the largest that does. */
static bool read_number(const char *text, int32_t *value) {
    bool negative = *text == '-';
    uint8_t digits = 0, decimals = 0;
    int32_t sum = 0;
    bool full = false;
    if (negative) text++;
    for (; is_digit(*text); text++, digits++) {
        if (sum > (INT32_MAX / SCALE - 9) / 10) full = true;
        else sum = sum * 10 + (*text - '0');
    }
    if (digits == 0 || digits > 12) return false;
    if (*text == '.') {
        text++;
        int32_t part = 0;
        for (; is_digit(*text); text++, decimals++)
            if (decimals < 4) part = part * 10 + (*text - '0');
        if (decimals == 0 || decimals > 4) return false;
        for (; decimals < 4; decimals++) part *= 10;
        sum = sum * SCALE + part;
    } else {
        sum *= SCALE;
    }
    if (*text) return false;
    if (full) sum = INT32_MAX;
    *value = negative ? -sum : sum;
    return true;
}

bool words_read(const struct line *line, const char *letters, bool lenient, struct words *out) {
    out->given = 0;
    if (line->words > WORDS_MAX && !lenient) return false;
    for (uint8_t w = 1; w < line->words && w < WORDS_MAX; w++) {
        const char *word = line->word[w];
        uint8_t i = 0, letter;
        while ((letter = flash_byte(letters + i)) && letter != (uint8_t)word[0]) i++;
        if (!letter) {
            if (lenient) continue;
            return false;
        }
        if (out->given & 1 << i) return false;
        if (!read_number(word + 1, &out->value[i])) return false;
        out->given |= (uint8_t)(1 << i);
    }
    return true;
}

int32_t words_whole(const struct words *words, uint8_t index) { return words->value[index] / SCALE; }

/* -- writing ------------------------------------------------------------------------------- */

static char *start, *out;

static void put(char c) {
    if (out < start + ANSWER_MAX - 7) *out++ = c; /* room for the checksum is kept */
}

static void put_unsigned(uint32_t value, uint8_t least) {
    char digits[10];
    uint8_t n = 0;
    do {
        digits[n++] = (char)('0' + value % 10);
        value /= 10;
    } while (value || n < least);
    while (n) put(digits[--n]);
}

void text_begin(char *into, char kind, uint16_t number) {
    start = out = into;
    put(kind);
    put_unsigned(number, 1);
}

void text_word(const char *flash_text) {
    char c;
    put(' ');
    while ((c = (char)flash_byte(flash_text++))) put(c);
}

void text_number(char letter, uint32_t value) {
    put(' ');
    if (letter) put(letter);
    put_unsigned(value, 1);
}

void text_decimal(char letter, int32_t value, uint8_t decimals) {
    uint32_t size = value < 0 ? 0UL - (uint32_t)value : (uint32_t)value;
    uint32_t one = 1;
    for (uint8_t i = 0; i < decimals; i++) one *= 10;
    put(' ');
    put(letter);
    if (value < 0) put('-');
    put_unsigned(size / one, 1);
    put('.');
    put_unsigned(size % one, decimals);
}

void text_end(void) {
    uint16_t crc = crc_of(start, out);
    *out++ = '*';
    for (int8_t shift = 12; shift >= 0; shift -= 4) *out++ = hex_digit((crc >> shift) & 0xF);
    *out++ = '\n';
    *out = 0;
}
