"""Where audio comes in and goes out: sound device, JACK, network, files, simulated stage."""
