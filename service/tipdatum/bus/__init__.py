"""The MQTT side: message models (the contract), topics, client, commands, embedded broker."""
