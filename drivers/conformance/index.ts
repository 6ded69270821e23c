/** The public entry `torsiond/conformance`: what framers, links and drivers promise, as checks for anybody's own. */
export { eventually, type Clause } from './clause.ts';
export { framerClauses, type FramerHarness } from './framer-clauses.ts';
export { linkClauses, type LinkFarEnd, type LinkHarness } from './link-clauses.ts';
export { driverClauses } from './driver-clauses.ts';
export { type CommandHarness, type ExpectedSample } from './driver-tools.ts';
export { type SessionHarness } from './session-clauses.ts';
export { type DriverHarness, type DriverVector } from './stream-bench.ts';
export { polledDriverClauses } from './polled-driver-clauses.ts';
export { type PolledHarness, type PolledVector } from './polled-bench.ts';
export { ManualClock } from './manual-clock.ts';
export {
  clausesOfDriver, describeClauses, describeDriver, formatReport, runClauses, runDriverClauses,
  type AnyDriverHarness, type ClauseResult, type ConformanceReport, type KnownGaps, type TestRunner,
} from './report.ts';
