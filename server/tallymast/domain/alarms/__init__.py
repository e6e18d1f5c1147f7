"""Alarms: what calls for an operator's response, in the words of ANSI/ISA-18.2 and IEC 62682."""
