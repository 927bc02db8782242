"""What many boards say together: yield, capability, tolerance intervals, charts, gauge studies, trends.

Values and arrays in, values out. Nothing here opens a file, reads a clock or knows where a history is kept. Every
figure comes with the number of values behind it and an interval, and is refused with a sentence where there are too
few; nothing here turns a statistic into a limit.
"""
