"""An invented trip: `trip.yaml`, and `maker`, which renders its raw frames together with the truth about them."""
