"""Modbus as arithmetic: frames, requests, layouts, read plans, debts and airtime."""
