"""Encryption, where the settings name the authority's certificate."""


import binascii


def der(certificate):
    """Return a certificate in the one form that every board reads; it may come as text (PEM)."""
    if b"-----BEGIN" not in certificate:
        return certificate
    lines = certificate.split(b"-----BEGIN CERTIFICATE-----")[1].split(b"-----END")[0]
    return binascii.a2b_base64(lines.replace(b"\n", b"").replace(b"\r", b""))


def wrapper(ca_file):
    """Return what makes a socket an encrypted one to a server that the authority vouches for, or None."""
    if not ca_file:
        return None
    import tls

    context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
    with open(ca_file, "rb") as file:
        context.load_verify_locations(der(file.read()))
    context.verify_mode = tls.CERT_REQUIRED
    return lambda sock, host: context.wrap_socket(sock, server_hostname=host)
