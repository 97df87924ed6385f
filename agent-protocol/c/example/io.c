/* Firmware of an io chip: the link and the loader, without the rest of the node core.
 *
 * What a real chip has in flash is a table here, and the sensors are the virtual door's. There is no
 * relay to see: nothing on the link moves the door, and the wall button is not part of this example.
 * Where it is, the relay stays off while inhibited, while no settings are in force, and for 10 s after
 * every start. */
#include "io.h"

#include <string.h>

#define ROOM (128u * 1024u)

/* The chip's flash: an image, and behind it the mark that it is whole. */
static struct {
    uint8_t image[ROOM];
    uint32_t size; /* 0: not whole */
    uint8_t digest[32];
} flash;

/* What RAM holds; gone with power. */
static struct {
    PintleVirtual *hardware;
    int in_application;
    uint32_t seconds;
    PintleNote note;
    PintleLoader loader;
    uint32_t settings[PINTLE_SETTINGS];
    uint16_t settings_sum;
    int inhibited;
} ram;

/* The keys of the settings that this firmware goes by. */
enum { OPEN_BELOW_MM = 1, CLOSED_ABOVE_MM = 2, CO_FAST_PPM = 17 };

static int32_t erase(void *context, uint32_t size) {
    (void)context;
    if (size > ROOM) {
        return 1;
    }
    memset(flash.image, 0xff, (size + 4095u) / 4096u * 4096u);
    return 0;
}

static int32_t program(void *context, uint32_t offset, const uint8_t *bytes, size_t len) {
    size_t n;
    (void)context;
    if (offset > ROOM || len > ROOM - offset) {
        return 1;
    }
    for (n = 0; n < len; n++) {
        flash.image[offset + n] &= bytes[n];
    }
    return 0;
}

static int32_t read_back(void *context, uint32_t offset, uint8_t *into, size_t len) {
    (void)context;
    if (offset > ROOM || len > ROOM - offset) {
        return 1;
    }
    memcpy(into, flash.image + offset, len);
    return 0;
}

/* On a chip: erase the mark's sector; for a whole image write the digest, and the size last. */
static int32_t mark(void *context, uint32_t size, const uint8_t *digest) {
    (void)context;
    flash.size = 0;
    if (digest != NULL) {
        memcpy(flash.digest, digest, sizeof flash.digest);
        flash.size = size;
    }
    return 0;
}

static const PintleLoaderStore STORE = {
    .size = sizeof(PintleLoaderStore),
    .room = ROOM,
    .context = NULL,
    .erase = erase,
    .program = program,
    .read = read_back,
    .mark = mark,
};

/* After every start: the application if there is a whole one, else the loader. */
static void start(void) {
    uint8_t digest[32];
    ram.settings_sum = 0;
    ram.inhibited = 1;
    ram.seconds = 0;
    ram.in_application = flash.size != 0 &&
                         pintle_loader_measure(&STORE, flash.size, digest) == PINTLE_CODE_OK &&
                         memcmp(digest, flash.digest, sizeof digest) == 0 &&
                         pintle_note_find(flash.image, flash.size, &ram.note) == PINTLE_CODE_OK;
    pintle_loader_init(&ram.loader);
}

int io_power_on(PintleVirtual *hardware) {
    const uint8_t *image = NULL;
    size_t len = 0;
    uint8_t digest[32];
    memset(&ram, 0, sizeof ram);
    memset(&flash, 0xff, sizeof flash);
    flash.size = 0;
    ram.hardware = hardware;
    if (pintle_virtual_io_image(hardware, &image, &len) != PINTLE_CODE_OK || len > ROOM) {
        return 1;
    }
    /* What the programmer on the bench does. */
    if (erase(NULL, (uint32_t)len) != 0 || program(NULL, 0, image, len) != 0 ||
        pintle_loader_measure(&STORE, (uint32_t)len, digest) != PINTLE_CODE_OK ||
        mark(NULL, (uint32_t)len, digest) != 0) {
        return 1;
    }
    start();
    return ram.in_application ? 0 : 1;
}

void io_second(void) {
    ram.seconds++;
}

static int32_t say_hello(uint8_t sequence, uint8_t *answer) {
    size_t len;
    PintleHello hello;
    memset(&hello, 0, sizeof hello);
    if (ram.in_application) {
        hello.mode = PINTLE_MODE_APPLICATION;
        hello.link_oldest = ram.note.link_oldest;
        hello.link_newest = ram.note.link_newest;
        hello.profile_id = ram.note.profile_id;
        hello.profile_version = ram.note.profile_version;
        memcpy(hello.version, ram.note.version, sizeof hello.version);
        memcpy(hello.digest, flash.digest, sizeof hello.digest);
    }
    return pintle_answer_hello(sequence, &hello, answer, &len) == PINTLE_CODE_OK;
}

static int32_t say_status(uint8_t sequence, uint8_t *answer) {
    size_t len;
    PintleVirtualDoor door;
    PintleDoorStatus status;
    if (pintle_virtual_door(ram.hardware, &door) != PINTLE_CODE_OK) {
        return 0;
    }
    memset(&status, 0, sizeof status);
    /* Without settings nobody knows which distance means what. */
    if (ram.settings_sum == 0) {
        status.position = PINTLE_POSITION_UNKNOWN;
    } else if (door.distance_mm < ram.settings[OPEN_BELOW_MM]) {
        status.position = PINTLE_POSITION_OPEN;
    } else if (door.distance_mm > ram.settings[CLOSED_ABOVE_MM]) {
        status.position = PINTLE_POSITION_CLOSED;
    } else {
        status.position = PINTLE_POSITION_PARTLY_OPEN;
    }
    status.moving = door.moving;
    status.close_pending = door.close_pending;
    status.warning = door.warning;
    status.button = door.button;
    status.gas_alarm = ram.settings_sum != 0 && door.co_ppm >= ram.settings[CO_FAST_PPM];
    status.plausible = door.distance_mm >= 200 && door.distance_mm <= 4000;
    status.inhibited = (uint8_t)ram.inhibited;
    status.rest_seconds = door.rest_seconds > 65535u ? 65535u : (uint16_t)door.rest_seconds;
    status.supply_mv = door.supply_mv;
    status.settings = ram.settings_sum;
    return pintle_answer_status(sequence, &status, answer, &len) == PINTLE_CODE_OK;
}

static int32_t take_setting(const PintleAsk *ask, uint8_t *answer) {
    size_t len;
    ram.settings[ask->key] = ask->value; /* the key was checked */
    /* They count only when the last one has come. */
    if (ask->key + 1u == PINTLE_SETTINGS &&
        pintle_settings_sum(ram.settings, PINTLE_SETTINGS, &ram.settings_sum) != PINTLE_CODE_OK) {
        return 0;
    }
    return pintle_answer_done(ask->sequence, 0, answer, &len) == PINTLE_CODE_OK;
}

int32_t io_exchange(const uint8_t *frame, size_t len, uint8_t *answer) {
    size_t answer_len;
    PintleAsk ask;
    /* Noise is not answered. */
    if (pintle_ask_decode(frame, len, &ask) != PINTLE_CODE_OK) {
        return 0;
    }
    if (ram.in_application && ask.kind == PINTLE_ASK_KIND_ENTER_LOADER) {
        ram.inhibited = 1;
        ram.in_application = 0;
        pintle_loader_init(&ram.loader);
    }
    if (ask.kind == PINTLE_ASK_KIND_HELLO) {
        return say_hello(ask.sequence, answer);
    }
    if (!ram.in_application) {
        switch (pintle_loader_frame(&ram.loader, &STORE, frame, len, answer, &answer_len)) {
        case PINTLE_CODE_OK:
        case PINTLE_CODE_FLASH: /* the answer says no */
            return 1;
        case PINTLE_CODE_START:
            start();
            return 1;
        default:
            return 0;
        }
    }
    /* Right after its start the sensors have nothing to say. */
    if (ram.seconds < 2) {
        return 0;
    }
    switch (ask.kind) {
    case PINTLE_ASK_KIND_STATUS:
        return say_status(ask.sequence, answer);
    case PINTLE_ASK_KIND_INHIBIT:
        ram.inhibited = ask.on;
        return pintle_answer_done(ask.sequence, 0, answer, &answer_len) == PINTLE_CODE_OK;
    case PINTLE_ASK_KIND_SETTING:
        return take_setting(&ask, answer);
    case PINTLE_ASK_KIND_START: /* it has been */
        return pintle_answer_done(ask.sequence, 0, answer, &answer_len) == PINTLE_CODE_OK;
    default:
        return pintle_answer_no(ask.sequence, answer, &answer_len) == PINTLE_CODE_OK;
    }
}
