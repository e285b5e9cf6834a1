"""Figures as in the code, dates as everywhere in the book (ISO 8601)."""

DECIMAL_SEPARATOR = "."
THOUSAND_SEPARATOR = ","
DATE_FORMAT = "Y-m-d"
SHORT_DATE_FORMAT = "Y-m-d"
DATETIME_FORMAT = "Y-m-d H:i"
TIME_FORMAT = "H:i"
