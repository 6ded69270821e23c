/** The clock of the conformance kit, for all tests. */
export { ManualClock } from '../../drivers/conformance/manual-clock.ts';
