/* Firmware of a net chip, on a PC: the callbacks forward to a virtual board, and the io chip is io.c.
 *
 * It goes through a first boot, a claim, a bundle, an image for each chip with its trial, and an image
 * with a wrong signature, and prints what happens. Exit code 0 if all went as it should.
 *
 * A real net chip has drivers where this has pintle_virtual_..., a boot loader where this has boot(),
 * and a loop that never ends where this has second(). */
#include "pintle.h"
#include "pintle_virtual.h"

#include "io.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Everything that the callbacks need. */
typedef struct {
    PintleVirtual *hardware;
    unsigned requests;
} Drivers;

static int32_t flash_read(void *context, uint32_t address, uint8_t *into, size_t len) {
    return pintle_virtual_flash_read(((Drivers *)context)->hardware, address, into, len);
}

static int32_t flash_program(void *context, uint32_t address, const uint8_t *bytes, size_t len) {
    return pintle_virtual_flash_program(((Drivers *)context)->hardware, address, bytes, len);
}

static int32_t flash_erase(void *context, uint32_t address) {
    return pintle_virtual_flash_erase(((Drivers *)context)->hardware, address);
}

static int32_t random_bytes(void *context, uint8_t *into, size_t len) {
    return pintle_virtual_random(((Drivers *)context)->hardware, into, len) == PINTLE_CODE_OK ? 0 : 1;
}

static int32_t exchange(void *context, const uint8_t *frame, size_t len, uint8_t *answer) {
    (void)context;
    return io_exchange(frame, len, answer);
}

static int32_t pressed(void *context) {
    (void)context;
    return 0;
}

static int32_t card(void *context, const uint8_t **bytes, size_t *len) {
    return pintle_virtual_card(((Drivers *)context)->hardware, bytes, len);
}

static void join(void *context, const uint8_t *ssid, size_t ssid_len, const char *passphrase,
                 size_t passphrase_len) {
    pintle_virtual_join(((Drivers *)context)->hardware, ssid, ssid_len, passphrase, passphrase_len);
}

static void request(void *context, const PintleRequest *what) {
    Drivers *drivers = context;
    drivers->requests++;
    pintle_virtual_request(drivers->hardware, what);
}

static void search(void *context) {
    pintle_virtual_search(((Drivers *)context)->hardware);
}

static void reset_io(void *context) {
    io_power_on(((Drivers *)context)->hardware);
}

static void restart(void *context) {
    (void)context; /* a chip would reset here; poll says so too */
}

/* The node's memory: no heap. */
static union {
    uint64_t aligned;
    uint8_t bytes[PINTLE_NODE_SIZE];
} memory;

static Drivers drivers;
static PintleBoard board;
static PintleNode *node;
static uint64_t now_ms;

/* What a boot loader does, and then the start of the image. If that gives up what was started, once more. */
static int boot(void) {
    PintleBootSlot slot;
    PintleCode code;
    uint32_t detail = 0;
    memset(&slot, 0, sizeof slot);
    code = pintle_boot_count(&board, &slot);
    if (code == PINTLE_CODE_NO_RECORD) {
        printf("the board is new: slot A is started\n");
        slot.slot = PINTLE_SLOT_A;
    } else if (code != PINTLE_CODE_OK) {
        printf("no slot can be started: %d\n", (int)code);
        return 1;
    } else {
        printf("slot %c is started: version %u.%u.%u%s\n", 'A' + slot.slot, slot.version[0],
               slot.version[1], slot.version[2], slot.on_trial ? ", on trial" : "");
    }
    board.net_slot = slot.slot;
    now_ms = 0;
    code = pintle_node_init(&memory, sizeof memory, &board, &node, &detail);
    if (code == PINTLE_CODE_RESTART) {
        return pintle_virtual_reset(drivers.hardware) != PINTLE_CODE_OK || boot();
    }
    if (code != PINTLE_CODE_OK) {
        printf("the node does not start: %d, detail %" PRIu32 "\n", (int)code, detail);
        return 1;
    }
    return 0;
}

/* One second of the loop. */
static int second(void) {
    PintleEvent event;
    PintleCode code;
    if (pintle_virtual_second(drivers.hardware, &event) != PINTLE_CODE_OK) {
        return 1;
    }
    io_second();
    now_ms += 1000;
    code = pintle_node_poll(node, now_ms, &event);
    if (code == PINTLE_CODE_RESTART) {
        if (pintle_node_end(node) != PINTLE_CODE_OK ||
            pintle_virtual_reset(drivers.hardware) != PINTLE_CODE_OK) {
            return 1;
        }
        return boot();
    }
    if (code != PINTLE_CODE_OK) {
        printf("poll: %d\n", (int)code);
        return 1;
    }
    return 0;
}

/* Somebody drives in while the next image is being fetched. */
static int drives_in;

/* Says what a node waits for, whenever that changes. */
static void tell_holds(uint32_t *told) {
    PintleStatus status;
    uint32_t left, bit;
    char text[128];
    if (pintle_node_status(node, &status) != PINTLE_CODE_OK) {
        return;
    }
    if (drives_in && status.phase == PINTLE_PHASE_FETCHING) {
        pintle_virtual_use_door(drivers.hardware);
        drives_in = 0;
    }
    if (status.holds == *told) {
        return;
    }
    *told = status.holds;
    for (left = status.holds; pintle_hold_text(left, &bit, text, sizeof text) == PINTLE_CODE_OK;
         left &= ~bit) {
        printf("  waits: %s\n", text);
    }
}

/* Goes on until the server has heard how the offer ended. */
static int offer(const char *name, PintleVirtualOffer what, PintleEnding wanted) {
    static const char *const ENDINGS[] = {"nothing", "kept", "went back", "refused"};
    PintleVirtualHeard heard;
    uint32_t told = 0;
    char text[128] = "";
    int n;
    printf("offered: %s\n", name);
    if (pintle_virtual_offer(drivers.hardware, what) != PINTLE_CODE_OK) {
        return 1;
    }
    for (n = 0; n < 3000; n++) {
        if (second() != 0) {
            return 1;
        }
        tell_holds(&told);
        if (pintle_virtual_heard(drivers.hardware, &heard) != PINTLE_CODE_OK) {
            return 1;
        }
        if (heard.ending != PINTLE_ENDING_NONE) {
            break;
        }
    }
    if (heard.reason != 0 && pintle_reason_text(heard.reason, text, sizeof text) != PINTLE_CODE_OK) {
        return 1;
    }
    printf("%s: %s%s%s\n", name, ENDINGS[heard.ending], text[0] != 0 ? ", " : "", text);
    printf("  net %u.%u.%u, io %u.%u.%u, relay pulses %" PRIu32 "\n", heard.versions[0][0],
           heard.versions[0][1], heard.versions[0][2], heard.versions[1][0], heard.versions[1][1],
           heard.versions[1][2], heard.relay_pulses);
    return heard.ending == wanted && heard.relay_pulses == 0 ? 0 : 1;
}

static int first_check_in(void) {
    PintleVirtualHeard heard;
    int n;
    for (n = 0; n < 300; n++) {
        if (second() != 0 || pintle_virtual_heard(drivers.hardware, &heard) != PINTLE_CODE_OK) {
            return 1;
        }
        if (heard.claimed && heard.checked_in) {
            printf("claimed, and checked in\n");
            return 0;
        }
    }
    return 1;
}

static int run(void) {
    if (boot() != 0 || first_check_in() != 0) {
        return 1;
    }
    if (offer("bundle", PINTLE_VIRTUAL_OFFER_BUNDLE, PINTLE_ENDING_KEPT) != 0) {
        return 1;
    }
    drives_in = 1;
    return offer("net image", PINTLE_VIRTUAL_OFFER_NET_IMAGE, PINTLE_ENDING_KEPT) != 0 ||
           offer("io image", PINTLE_VIRTUAL_OFFER_IO_IMAGE, PINTLE_ENDING_KEPT) != 0 ||
           offer("image of a stranger", PINTLE_VIRTUAL_OFFER_WRONG_SIGNATURE, PINTLE_ENDING_REFUSED) != 0;
}

int main(void) {
    int failed;
    if (pintle_abi() != PINTLE_ABI || pintle_node_size() > sizeof memory) {
        printf("header and library are not of the same version\n");
        return EXIT_FAILURE;
    }
    printf("pintle %s\n", pintle_version());
    drivers.hardware = pintle_virtual_new();
    memset(&board, 0, sizeof board);
    board.size = sizeof board;
    board.context = &drivers;
    board.flash_read = flash_read;
    board.flash_program = flash_program;
    board.flash_erase = flash_erase;
    board.random = random_bytes;
    board.exchange = exchange;
    board.pressed = pressed;
    board.card = card;
    board.join = join;
    board.request = request;
    board.restart = restart;
    board.search = search;
    board.reset_io = reset_io;
    board.loader_counts = 1;
    failed = pintle_virtual_layout(drivers.hardware, &board.layout) != PINTLE_CODE_OK ||
             io_power_on(drivers.hardware) != 0 || run() != 0;
    pintle_node_end(node);
    pintle_virtual_free(drivers.hardware);
    printf("%s\n", failed ? "not as it should" : "all as it should");
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
