// The host's time, by what it said of it and this machine's clocks; carried on while nothing is heard of it.

const KEPT_S = 60;
// Between the host's reading of its clock and ours lie a pass of the host and the way here, on a busy machine seconds:
// by so much alone the one may seem to go faster than the other. Our own judgement, no source.
const LATE_S = 5, APART = 0.2;

// `clocks`: () => s of one that never jumps and of the one on the wall.
export function hostTime(clocks = () => ({ mono: performance.now() / 1000, wall: Date.now() / 1000 })) {
  const heard = [];

  // The host says that it is `now`, UTC s; what it says is never earlier than what it said. Returns its time.
  function hear(now) {
    heard.push({ now: Math.max(now, heard.at(-1)?.now ?? 0), ...clocks() });
    while (heard.length > 2 && heard.at(-1).mono - heard[1].mono > KEPT_S) heard.shift();
    return heard.at(-1).now;
  }

  // Whether its clock goes as fast as ours, by what was heard in the last minute: a demo's does not.
  function asOurs() {
    const [first, last] = [heard[0], heard.at(-1)], real = last.mono - first.mono;
    return Math.abs(last.now - first.now - real) < APART * real + LATE_S;
  }

  // Its time now, though nothing is heard. A machine that slept all night may have stopped the one clock, and a clock
  // that was set moved the other.
  function carried() {
    const last = heard.at(-1), { mono, wall } = clocks();
    return last.now + Math.max(mono - last.mono, wall - last.wall);
  }

  return { hear, asOurs, carried };
}
