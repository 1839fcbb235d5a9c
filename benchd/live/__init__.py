"""One asyncio task a file: ticker, link, sampling, limit monitor, sequence, heartbeat. It knows no concrete device."""
