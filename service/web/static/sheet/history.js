// How a set grew, from the fillings that were noted. Pure.

/** @typedef {{day: string, filled: number, tentative: number, came: string[], left: string[]}} Day */

/**
 * How the set stood after each note that changed something, the oldest first.
 * @param {{label: string, basis: string, since: string, until: string | null}[]} fillings
 * @param {string | null} noted the day of the last note, which may have changed nothing
 * @returns {Day[]}
 */
export function days(fillings, noted) {
  const found = new Set(fillings.flatMap(({ since, until }) => (until === null ? [since] : [since, until])));
  if (noted !== null) found.add(noted);
  return [...found].sort().map((day) => {
    const there = fillings.filter(({ since, until }) => since <= day && (until === null || until > day));
    const of = (basis) => there.filter((filling) => filling.basis === basis).length;
    const labels = (at) => fillings.filter((filling) => filling[at] === day).map(({ label }) => label);
    return { day, filled: of("filled"), tentative: of("tentative"), came: labels("since"), left: labels("until") };
  });
}

const WIDTH = 400;
const HEIGHT = 120;

/**
 * The days as a line of steps: it goes on level until the next note.
 * @param {Day[]} told @param {number} places how many the set has now
 * @returns {{width: number, height: number, filled: string, possible: string, dots: {x: number, y: number}[], most: number}}
 */
export function line(told, places) {
  const most = Math.max(places, ...told.map(({ filled, tentative }) => filled + tentative), 1);
  const time = ({ day }) => Date.parse(`${day}T00:00:00Z`);
  const [first, last] = [time(told[0]), time(told[told.length - 1])];
  const across = (one) => (last === first ? WIDTH / 2 : Math.round((WIDTH * (time(one) - first)) / (last - first)));
  const up = (count) => Math.round(HEIGHT - (HEIGHT * count) / most);
  const steps = (count) => {
    const path = told.map((one, at) => (at === 0 ? `M${across(one)} ${up(count(one))}` : `H${across(one)}V${up(count(one))}`)).join("");
    // Of a single day there is no line yet.
    return told.length === 1 ? `M0 ${up(count(told[0]))}H${WIDTH}` : path;
  };
  return {
    width: WIDTH,
    height: HEIGHT,
    filled: steps(({ filled }) => filled),
    possible: steps(({ filled, tentative }) => filled + tentative),
    dots: told.map((one) => ({ x: across(one), y: up(one.filled) })),
    most,
  };
}
