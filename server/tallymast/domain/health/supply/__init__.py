"""How a supply is and how long it lasts: nights, chemistry, trend, forecast, verdict."""
