"""Messages that controllers send only when asked: one module a family, every layout from SAE J1939-73 or J1939-71.

Every `decode_...` takes any bytes and gives a result or None, never an exception.
"""
