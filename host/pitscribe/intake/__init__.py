"""The ways in: over MQTT, from a folder of journal segments, from a table. Each ends in the ledger."""
