/** The public entry `torsiond/conformance`: what framers, links and drivers promise, as checks for anybody's own. */
export { eventually, registerClauses, type Clause, type RegisterTest } from './clause.ts';
export { framerClauses, type FramerHarness } from './framer-clauses.ts';
export { linkClauses, type LinkFarEnd, type LinkHarness } from './link-clauses.ts';
export { driverClauses, type DriverHarness, type DriverVector } from './driver-clauses.ts';
export { polledDriverClauses, type PolledHarness, type PolledVector } from './polled-driver-clauses.ts';
export { ManualClock } from './manual-clock.ts';
export {
  clausesOfDriver, describeClauses, describeDriver, formatReport, runClauses, runDriverClauses,
  type AnyDriverHarness, type ClauseResult, type ConformanceReport, type KnownGaps, type TestRunner,
} from './report.ts';
