"""Alarms: their life cycle (IEC 62682, ISA-18.2), escalation, the outbox and the bells."""
