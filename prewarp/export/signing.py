"""Ed25519 keys: PEM files with PKCS 8 (RFC 8410) to sign, SubjectPublicKeyInfo to trust.

The arithmetic is that of the library cryptography, which is asked for when a key is read.
"""

from collections.abc import Callable
from pathlib import Path

from prewarp.errors import InputFileError, PackageError
from prewarp.export.sealing import Sign
from prewarp.files import read_bytes

_MOST_BYTES = 1 << 16
_MISSING = "signatures need the library cryptography, which is not installed: pip install 'prewarp[sign]'."
# Whether a signature of bytes is good.
Trust = Callable[[bytes, bytes], bool]


def read_signing_key(path: Path, /) -> Sign:
    """Return what signs with the private key in a file.

    Raises
    ------
    InputFileError
        The file cannot be read, is locked by a password, or holds no private Ed25519 key.
    PackageError
        The library is not installed.
    """
    try:
        from cryptography.exceptions import UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key
    except ImportError as cause:
        raise PackageError(_MISSING) from cause
    data = read_bytes(path, limit_bytes=_MOST_BYTES, what="a private key")
    try:
        key = load_pem_private_key(data, password=None)
    except TypeError as cause:
        raise InputFileError(
            f"{path}: the key is locked by a password. Give one without, from where only you can read it: "
            f"'openssl pkey -in {path.name} -out plain.pem'.",
            path=str(path),
        ) from cause
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise InputFileError(
            f"{path}: no private Ed25519 key in PEM (PKCS 8). Make one: "
            "'openssl genpkey -algorithm ed25519 -out key.pem'.",
            path=str(path),
        )
    return key.sign


def read_trusted_key(path: Path, /) -> Trust:
    """Return what judges signatures by the public key in a file.

    Raises
    ------
    InputFileError
        The file cannot be read, or holds no public Ed25519 key.
    PackageError
        The library is not installed.
    """
    try:
        from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        from cryptography.hazmat.primitives.serialization import load_pem_public_key
    except ImportError as cause:
        raise PackageError(_MISSING) from cause
    data = read_bytes(path, limit_bytes=_MOST_BYTES, what="a public key")
    try:
        key = load_pem_public_key(data)
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise InputFileError(
            f"{path}: no public Ed25519 key in PEM (SubjectPublicKeyInfo). Take it from the private one: "
            "'openssl pkey -in key.pem -pubout -out trusted.pem'.",
            path=str(path),
        )
    own = key

    def is_good(signature: bytes, data: bytes) -> bool:
        try:
            own.verify(signature, data)
        except InvalidSignature:
            return False
        return True

    return is_good
