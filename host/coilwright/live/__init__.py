"""The live bench behind its panel: requests in, snapshots out, one thread that owns the driver."""
