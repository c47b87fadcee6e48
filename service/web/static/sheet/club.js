// What a club shows, put in order. Pure.

/** What places and groups of a definition are called, by id. @returns {Map<string, string>} */
export function labelsOfPlaces(document) {
  const { slots = [], one_per: groups = [], free_choice: choices = [] } = document;
  return new Map([...slots, ...groups, ...choices].map((part) => [part.id, part.label ?? part.id]));
}

/** The label of an address, of a group's place that of the group and its key. @param {Map<string, string>} labels */
export function placeLabel(address, labels, known = new Map()) {
  const at = address.indexOf("/");
  const whole = known.get(address) ?? labels.get(address);
  if (whole !== undefined || at < 0) return whole ?? address;
  return labels.has(address.slice(0, at)) ? `${labels.get(address.slice(0, at))}: ${address.slice(at + 1)}` : address;
}

/** Places by how they stand, in the order of the set. @param {{label: string, status: string}[]} places */
export function byStatus(places) {
  return ["filled", "tentative", "empty"]
    .map((status) => ({ status, labels: places.filter((place) => place.status === status).map((place) => place.label) }))
    .filter(({ labels }) => labels.length > 0);
}

/** The legs of a swap, which go round, beginning with what a member gives; as they are where the member is no side. */
export function beginningWith(legs, member) {
  const at = legs.findIndex((leg) => leg.giver.member_id === member);
  return at < 1 ? legs : [...legs.slice(at), ...legs.slice(0, at)];
}

const SIZE = 240;
const MIDDLE = SIZE / 2;
const RADIUS = 84;
const DISC = 24;
const HEAD = 11;

const round = (value) => Math.round(value * 10) / 10;

/** A point of the ring, by its angle. */
const on = (angle) => [round(MIDDLE + RADIUS * Math.cos(angle)), round(MIDDLE + RADIUS * Math.sin(angle))];

/**
 * So many members on a ring, clockwise from the top, and from each to the next an arc that ends in an arrowhead.
 * @param {number} count @returns {{size: number, disc: number, discs: {x: number, y: number}[], arcs: {line: string, head: string}[]}}
 */
export function ring(count) {
  const angle = (at) => -Math.PI / 2 + (2 * Math.PI * at) / count;
  const gap = (DISC + 6) / RADIUS;
  const discs = Array.from({ length: count }, (_, at) => on(angle(at))).map(([x, y]) => ({ x, y }));
  const arcs = discs.map((_, at) => {
    const [from, to] = [angle(at) + gap, angle(at + 1) - gap - HEAD / RADIUS];
    const large = to - from > Math.PI ? 1 : 0;
    const [tip, [x, y]] = [angle(at + 1) - gap, on(to)];
    const [tipX, tipY] = on(tip);
    const [sideX, sideY] = [Math.cos(to) * HEAD * 0.6, Math.sin(to) * HEAD * 0.6].map(round);
    return {
      line: `M${on(from).join(" ")}A${RADIUS} ${RADIUS} 0 ${large} 1 ${x} ${y}`,
      head: `M${tipX} ${tipY}L${round(x + sideX)} ${round(y + sideY)}L${round(x - sideX)} ${round(y - sideY)}z`,
    };
  });
  return { size: SIZE, disc: DISC, discs, arcs };
}
