"""The hands-on checks: their texts as data, and the values to expect at one probe now."""
