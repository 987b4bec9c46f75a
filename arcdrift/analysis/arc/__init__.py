"""The arc setting: its regression on air and wear, and its drift chart."""
