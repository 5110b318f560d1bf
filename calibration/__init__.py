"""From a picture of a table to the camera that took it. Imports only `shared`."""
