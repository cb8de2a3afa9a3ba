#include "commands.h"

#include <string.h>

static const char *const words[] = {"identify", "start", "stop", "rate", "tare"};

static char typed[COMMAND_BYTES + 1];
static uint8_t length, too_long;

const char *command_word(uint8_t name) { return name < COMMAND_UNKNOWN ? words[name] : "?"; }

static uint8_t is_blank(char c) { return c == ' ' || (c >= '\t' && c <= '\r'); }

/* Cuts the next word off `*rest` and gives it, an empty one at the end. */
static char *cut_word(char **rest)
{
    char *at = *rest;
    while (is_blank(*at))
        at++;
    char *word = at;
    while (*at && !is_blank(*at))
        at++;
    if (*at)
        *at++ = '\0';
    *rest = at;
    return word;
}

/* A number of one to ten digits: 1; anything else: 0. */
static uint8_t read_number(const char *word, uint32_t *value)
{
    uint8_t n = 0;
    *value = 0;
    for (; *word; word++, n++) {
        if (*word < '0' || *word > '9' || n == 10)
            return 0;
        uint8_t digit = (uint8_t)(*word - '0');
        *value = *value > (0xFFFFFFFFu - digit) / 10 ? 0xFFFFFFFFu : *value * 10 + digit;
    }
    return n > 0;
}

static void read_command(struct command *command)
{
    char *rest = typed, *first = cut_word(&rest), *second = cut_word(&rest), *third = cut_word(&rest);
    command->argument = 0;
    for (command->name = 0; command->name < COMMAND_UNKNOWN; command->name++)
        if (strcmp(first, words[command->name]) == 0)
            break;
    if (command->name == COMMAND_RATE)
        command->readable = read_number(second, &command->argument) && !*third;
    else
        command->readable = command->name < COMMAND_UNKNOWN && !*second;
}

uint8_t command_byte(uint8_t byte, struct command *command)
{
    if (byte != '\n' && byte != '\r') {
        if (length == COMMAND_BYTES)
            too_long = 1;
        else
            typed[length++] = (char)(byte >= 'A' && byte <= 'Z' ? byte + 'a' - 'A' : byte ? byte : '?');
        return 0;
    }
    typed[length] = '\0';
    uint8_t some = 0;
    for (uint8_t i = 0; i < length; i++)
        some |= !is_blank(typed[i]);
    if (too_long) {
        command->name = COMMAND_LONG;
        command->readable = 0;
        some = 1;
    } else if (some) {
        read_command(command);
    }
    command_clear();
    return some;
}

void command_clear(void) { length = too_long = 0; }
