"""From findings to what people are told: life cycle, diagnosis, checks, payloads."""
