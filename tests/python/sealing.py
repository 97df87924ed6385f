"""Payload encryption a second time, step by step, with general-purpose libraries.

sealing.py VECTORS SEALED   recomputes every value of the file VECTORS (tests/vectors/sealing.txt), opens what the file
                            SEALED holds, and seals the same texts once more to the same key; answers as JSON
"""

import hashlib
import hmac
import json
import os
import sys
from pathlib import Path

import cbor2
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import AESGCM, ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.keywrap import InvalidUnwrap, aes_key_unwrap, aes_key_wrap
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

DIRECT, A128KW_AGREEMENT, A128KW, A128GCM, CHACHA = -25, -29, -3, 1, 24
SUIT = b"SUIT Payload Encryption"
# The public key of the manifest draft's examples, section 5 there.
DRAFT_KEY = bytes.fromhex(
    "048496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad"
    "3b1f2a4b6c098131c0a36dacd1d78bd381dcdfb09c052db33991db7338b4a896"
)

held = 0


def same(found, wanted, what):
    global held
    if found != wanted:
        sys.exit(f"{what}: {found!r} instead of {wanted!r}")
    held += 1


def fails(kind, what, action):
    global held
    try:
        action()
    except kind:
        held += 1
        return
    sys.exit(f"{what} went well")


def raw(public):
    return public.public_bytes(Encoding.Raw, PublicFormat.Raw)


def context(algorithm, bits, protected, other=None):
    """COSE_KDF_Context of RFC 9053 section 5.2, with SuppPubInfo.other of the draft."""
    info = [bits, protected] + ([other] if other is not None else [])
    return cbor2.dumps([algorithm, [None] * 3, [None] * 3, info])


def derive(secret, info, salt=None):
    return HKDF(hashes.SHA256(), 16, salt, info).derive(secret)


def enc_structure(kind, protected):
    return cbor2.dumps([kind, protected, b""])


def direct(v):
    mine, theirs = (X25519PrivateKey.from_private_bytes(v[f"{who}-private"]) for who in ("recipient", "ephemeral"))
    same(raw(mine.public_key()), v["recipient-public"], "direct: recipient")
    same(raw(theirs.public_key()), v["ephemeral-public"], "direct: ephemeral")
    same(mine.exchange(theirs.public_key()), v["shared"], "direct: shared secret")
    same(theirs.exchange(mine.public_key()), v["shared"], "direct: shared secret, the other way")
    protected, unprotected, sealed, recipients = cbor2.loads(v["message"]).value
    ((agreement, headers, empty),) = recipients
    same(cbor2.loads(agreement), {1: DIRECT}, "direct: agreement")
    same((headers[-1], empty), ({1: 1, -1: 4, -2: v["ephemeral-public"]}, b""), "direct: headers")
    same(context(A128GCM, 128, agreement), v["context"], "direct: context")
    same(derive(v["shared"], v["context"]), v["content-key"], "direct: content key")
    same((unprotected, sealed), ({5: v["nonce"]}, v["sealed"]), "direct: content")
    same(enc_structure("Encrypt", protected), v["enc-structure"], "direct: additional data")
    text = AESGCM(v["content-key"]).decrypt(v["nonce"], v["sealed"], v["enc-structure"])
    same(text, b"This is the content.", "direct: text")


def p256(v, info, other, text):
    """P-256 with A128KW and AES-GCM: the key derivation of -29 as it is published."""
    private = ec.derive_private_key(int.from_bytes(v["recipient-private"], "big"), ec.SECP256R1())
    x, y = (int.from_bytes(v[f"ephemeral-{c}"], "big") for c in "xy")
    ephemeral = ec.EllipticCurvePublicNumbers(x, y, ec.SECP256R1()).public_key()
    same(private.exchange(ec.ECDH(), ephemeral), v["shared"], "p256: shared secret")
    protected, unprotected, inside, ((agreement, headers, wrapped),) = cbor2.loads(info).value
    same(cbor2.loads(agreement), {1: A128KW_AGREEMENT}, "p256: agreement")
    key = headers[-1]
    same((key[1], key[-1], key[-2]), (2, 1, v["ephemeral-x"]), "p256: ephemeral key")
    same(context(A128KW, 128, agreement, other), v["context"], "p256: context")
    same(derive(v["shared"], v["context"]), v["wrapping-key"], "p256: wrapping key")
    same(wrapped, v["wrapped"], "p256: wrapped key")
    same(aes_key_unwrap(v["wrapping-key"], wrapped), v["content-key"], "p256: content key")
    same(aes_key_wrap(v["wrapping-key"], v["content-key"]), wrapped, "p256: wrapped again")
    same(unprotected, {5: v["nonce"]}, "p256: nonce")
    same(enc_structure("Encrypt", protected), v["enc-structure"], "p256: additional data")
    same(AESGCM(v["content-key"]).decrypt(v["nonce"], v["sealed"], v["enc-structure"]), text, "p256: text")
    same(inside, None if other else v["sealed"], "p256: ciphertext")


def draft_envelope(v):
    """The signed manifest around the draft's example: signature, content and encryption info."""
    envelope = cbor2.loads(v["envelope"]).value
    digest, block = cbor2.loads(envelope[2])
    same(cbor2.loads(digest), [-16, hashlib.sha256(cbor2.dumps(envelope[3])).digest()], "draft: digest")
    protected, _, payload, signature = cbor2.loads(block).value
    same((cbor2.loads(protected), payload), ({1: -9}, None), "draft: block")
    signed = cbor2.dumps(["Signature1", protected, b"", digest])
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), DRAFT_KEY)
    r, s = (int.from_bytes(signature[at:][:32], "big") for at in (0, 32))
    same(key.verify(encode_dss_signature(r, s), signed, ec.ECDSA(hashes.SHA256())), None, "draft: signature")
    install = cbor2.loads(cbor2.loads(envelope[3])[20])
    parameters = install[install.index(20) + 1]
    same(parameters[18], v["sealed"], "draft: content in the manifest")
    # The same, but for the key identifier.
    theirs, printed = cbor2.loads(parameters[19]).value, cbor2.loads(v["info"]).value
    same(theirs[3][0][1].pop(4), b"kid-2", "draft: key identifier")
    same(theirs, printed, "draft: encryption info in the manifest")


def chacha(v, kind, stale=None):
    message = cbor2.loads(v["message"]).value
    same(message[1:3], [{5: v["nonce"]}, v["sealed"]], f"{kind}: message")
    same(enc_structure(kind, message[0]), v["enc-structure"], f"{kind}: additional data")
    cipher = ChaCha20Poly1305(v["content-key"])
    same(cipher.decrypt(v["nonce"], v["sealed"], v["enc-structure"]), b"This is the content.", f"{kind}: text")
    if stale:
        aad = enc_structure(stale, message[0])
        fails(InvalidTag, stale, lambda: cipher.decrypt(v["nonce"], v["sealed"], aad))


def profile(v, plain, salted):
    mine, theirs = (X25519PrivateKey.from_private_bytes(v[f"{who}-private"]) for who in ("recipient", "ephemeral"))
    same(raw(theirs.public_key()), v["ephemeral-public"], "profile: ephemeral")
    same(mine.exchange(theirs.public_key()), v["shared"], "profile: shared secret")
    same(hmac.digest(bytes(32), v["shared"], "sha256"), v["prk"], "profile: HKDF-Extract")
    agreement = cbor2.dumps({1: A128KW_AGREEMENT})
    same(context(A128KW, 128, agreement, SUIT), v["context"], "profile: context")
    same(derive(v["shared"], v["context"]), v["wrapping-key"], "profile: wrapping key")
    same(aes_key_wrap(v["wrapping-key"], v["content-key"]), v["wrapped"], "profile: wrapped key")
    protected = cbor2.dumps({1: CHACHA})
    same(enc_structure("Encrypt", protected), v["enc-structure"], "profile: additional data")
    sealed = ChaCha20Poly1305(v["content-key"]).encrypt(v["nonce"], v["plain"], v["enc-structure"])
    same(sealed, v["sealed"], "profile: ciphertext")
    same(hashlib.sha256(v["plain"]).digest(), v["plain-digest"], "profile: digest of the text")
    same(hashlib.sha256(sealed).digest(), v["sealed-digest"], "profile: digest of the ciphertext")
    key = {1: 1, -1: 4, -2: v["ephemeral-public"]}
    same(encryption_info(v["nonce"], b"kid-2", key, v["wrapped"]), v["info"], "profile: encryption info")
    same(context(A128KW, 128, agreement), plain["context"], "plain context")
    for name, case, info, salt in (
        ("plain context", plain, plain["context"], None),
        ("salt", salted, v["context"], salted["salt"]),
    ):
        same(derive(v["shared"], info, salt), case["wrapping-key"], f"{name}: wrapping key")
        same(aes_key_wrap(case["wrapping-key"], v["content-key"]), case["wrapped"], f"{name}: wrapped key")
        fails(InvalidUnwrap, name, lambda: aes_key_unwrap(v["wrapping-key"], case["wrapped"]))


def encryption_info(nonce, kid, key, wrapped):
    recipient = [cbor2.dumps({1: A128KW_AGREEMENT}), {4: kid, -1: key} if kid else {-1: key}, wrapped]
    return cbor2.dumps(cbor2.CBORTag(96, [cbor2.dumps({1: CHACHA}), {5: nonce}, None, [recipient]]))


def open_sealed(private, info, sealed):
    protected, unprotected, _, ((agreement, headers, wrapped),) = cbor2.loads(info).value
    shared = private.exchange(X25519PublicKey.from_public_bytes(headers[-1][-2]))
    key = aes_key_unwrap(derive(shared, context(A128KW, 128, agreement, SUIT), headers.get(-20)), wrapped)
    return ChaCha20Poly1305(key).decrypt(unprotected[5], sealed, enc_structure("Encrypt", protected))


def seal(public, text):
    ephemeral = X25519PrivateKey.generate()
    agreement = cbor2.dumps({1: A128KW_AGREEMENT})
    wrapping = derive(ephemeral.exchange(public), context(A128KW, 128, agreement, SUIT))
    key, nonce = os.urandom(32), os.urandom(12)
    sealed = ChaCha20Poly1305(key).encrypt(nonce, text, enc_structure("Encrypt", cbor2.dumps({1: CHACHA})))
    cose_key = {1: 1, -1: 4, -2: raw(ephemeral.public_key())}
    return encryption_info(nonce, None, cose_key, aes_key_wrap(wrapping, key)), sealed


def main():
    cases = {}
    for line in Path(sys.argv[1]).read_text().splitlines():
        if not line.startswith("#"):
            case, name, value = line.split(" ")
            cases.setdefault(case, {})[name] = bytes.fromhex(value)
    direct(cases["x25519-direct"])
    p256(cases["p256-wrap"], cases["p256-wrap"]["message"], None, b"This is the content.")
    p256(cases["draft"], cases["draft"]["info"], SUIT, cases["draft"]["plain"])
    draft_envelope(cases["draft"])
    chacha(cases["chacha-01"], "Encrypt")
    chacha(cases["chacha-02"], "Encrypt0", "Encrypt1")
    profile(cases["profile"], cases["profile-plain-context"], cases["profile-salt"])

    given = json.loads(Path(sys.argv[2]).read_text())
    private = X25519PrivateKey.from_private_bytes(bytes.fromhex(given["secret"]))
    made = []
    for one in given["sealed"]:
        text = bytes.fromhex(one["text"])
        same(open_sealed(private, bytes.fromhex(one["info"]), bytes.fromhex(one["sealed"])), text, "opened")
        info, sealed = seal(private.public_key(), text)
        made.append({"text": one["text"], "info": info.hex(), "sealed": sealed.hex()})
    print(json.dumps({"held": held, "made": made}))


main()
