"""What the host shows to other programs over MQTT, retained: SenML packs, and how a home hub is to read them."""
