// The points of a run's curves: from the logbook, then from the live status, at most one a second.

const EVERY_S = 1;

/** Curves over the etching time, in minutes. */
export class CurveData {
  constructor() {
    this.clear();
  }

  clear() {
    this.minutes = [];
    this.depth = [];
    this.low = [];
    this.high = [];
    this.current = [];
    this.voltage = [];
    this.lastS = -Infinity;
  }

  /** Take the reduced points of the logbook; live points that are newer stay. */
  take(points) {
    const live = { ...this };
    this.clear();
    for (const point of points) {
      const { on_time_s, depth_max_mm, current_mean_a, voltage_mean_v } = point;
      this.add(on_time_s, depth_max_mm, null, null, current_mean_a, voltage_mean_v);
    }
    live.minutes.forEach((minutes, i) => {
      // add() drops what is not newer than the last point.
      const [depth, low, high] = [live.depth[i], live.low[i], live.high[i]];
      this.add(minutes * 60, depth, low, high, live.current[i], live.voltage[i]);
    });
  }

  /** Take a live status. Return whether there is a new point. */
  follow(status) {
    if (status.on_time_s === null || status.state !== "running") return false;
    if (status.on_time_s < this.lastS + EVERY_S) return false;
    return this.add(
      status.on_time_s,
      status.depth_mm,
      status.depth_low_mm,
      status.depth_high_mm,
      status.current_a,
      status.voltage_v,
    );
  }

  add(onTimeS, depth, low, high, current, voltage) {
    if (onTimeS <= this.lastS) return false;
    this.lastS = onTimeS;
    this.minutes.push(onTimeS / 60);
    this.depth.push(depth);
    this.low.push(low);
    this.high.push(high);
    this.current.push(current);
    this.voltage.push(voltage);
    return true;
  }
}
