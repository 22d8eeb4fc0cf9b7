"""A machine behind a microcontroller on a serial line, layer by layer. See PROTOCOL.md."""
