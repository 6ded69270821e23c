/** What each flag of a reading means. The table in README.md is made from this one; a test fails when it differs. */
export const FLAG_MEANINGS = {
  'calibration-overdue': 'The transducer is past its calibration due date.',
  'beyond-calibration': 'The torque went beyond the ends of the transducer\'s table of calibration points; the value is an extrapolation.',
  'below-range': 'The value is below the lowest torque the transducer is calibrated for.',
  'over-capacity': 'The torque went beyond the transducer\'s capacity during the cycle.',
  'overload': 'The device itself reported overload during the cycle.',
  'unstable': 'The device itself reported an unstable value during the cycle.',
  'gap': 'Samples are missing near the cycle, outside the part that was judged.',
  'offset-at-rest': 'Torque stood beyond the release threshold before the cycle began or where it ended: the value includes it. Unload and zero.',
  'rate-too-low': 'The sample rate is low for what was measured: the fall at the click spans fewer than two samples, the torque rises more than 1 % from one sample to the next, or the crest of a pulse may be missed by more than 1 %.',
  'time-estimated': 'Times inside the cycle are estimates: arrivals could not confirm them yet, or contradict them by more than 2 ms or 3 % of the sample rate, or the trace is unevenly sampled.',
  'noisy': 'First peak: noise, hum or trembling is large enough to hide the faintest click, or to be taken for the one found.',
  'spike': 'A single sample stood out of its neighbours: electrical noise, or a peak too short for the sample rate. From 500 samples/s on it is left out of the value, below that it may be the value.',
  'filtered-step': 'The low-pass moved the highest torque by more than 1 %, down by smoothing or up by overshoot.',
  'simulated': 'The samples come from a simulated instrument.',
} as const;
export type Flag = keyof typeof FLAG_MEANINGS;
