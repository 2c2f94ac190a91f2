"""Payloads that are not periodic readings, each function the bytes of one whole message, without filling.

`codes` lists trouble codes, `frozen` what was stored with them, `monitors` the state of self-tests, `identity` texts.
"""
