"""What was measured against what this car should do, as curves to be drawn: pure, from the detectors' own fits."""
