"""What the starts mean: baseline, drift, locked-rotor rate, cause, outlook, repair, assist sizing."""
