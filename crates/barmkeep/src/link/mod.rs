//! The link: MQTT to the devices, and the broker inside.
