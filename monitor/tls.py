"""HTTPS of the page and the API: the certificate and key of the configuration, tried before anything listens."""

from __future__ import annotations

import ssl
from typing import Any, Final

from monitor.config import Server
from monitor.errors import RefusedError

#: Forward secrecy and authenticated encryption only (RFC 9325, section 4.2, 2022); TLS 1.3 brings its own suites.
CIPHERS: Final = "ECDHE+AESGCM:ECDHE+CHACHA20"


def options(server: Server) -> dict[str, Any]:
    """What uvicorn is given to speak HTTPS, TLS 1.2 or newer; nothing without a certificate. RefusedError where the pair does not fit."""
    if server.tls_cert is None or server.tls_key is None:
        return {}
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # A key that asks for its pass phrase would wait for a keyboard that nobody sits at.
        context.load_cert_chain(server.tls_cert, server.tls_key, password=lambda: "")
    except (OSError, ValueError) as error:
        raise RefusedError(
            f"{server.tls_cert.name} and {server.tls_key.name} cannot be used for HTTPS ({getattr(error, 'reason', None) or error}); "
            "write a certificate and the private key it was made for, both PEM, the key without a pass phrase, readable by the service"
        ) from error
    return {"ssl_certfile": str(server.tls_cert), "ssl_keyfile": str(server.tls_key), "ssl_ciphers": CIPHERS}
