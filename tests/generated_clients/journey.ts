// A small journey with the generated types: a set is stored, two coins are recorded, the set is evaluated, and every answer is
// read by its members. Prints one JSON object for the test.
import createClient from "openapi-fetch";
import type { components, paths } from "./api.js";

type Conflict = components["schemas"]["Evaluation"]["conflicts"][number];

const [, , address, token] = process.argv;
if (address === undefined || token === undefined) throw new Error("journey ADDRESS TOKEN");
// Evaluations can be had as text, CSV and HTML too; this client reads JSON.
type Json = "application/json" | "application/problem+json";
const client = createClient<paths, Json>({ baseUrl: address, headers: { Authorization: `Bearer ${token}` } });

function must<T>(found: { data?: T; error?: unknown; response: Response }): T {
  if (found.data === undefined) throw new Error(`${found.response.status}: ${JSON.stringify(found.error)}`);
  return found.data;
}

function told(conflict: Conflict): string {
  // One shape for each kind: the compiler knows the members of each.
  switch (conflict.kind) {
    case "contested":
      return conflict.places.join(", ");
    case "undecided":
      return conflict.holding;
    default:
      return conflict.kind;
  }
}

const document = {
  format: "set-definition/1",
  title: "Two crowns",
  slots: [
    { id: "old", label: "An old crown", accepts: "denomination = 'crown' AND year_on_coin < 1900" },
    { id: "new", label: "A new crown", accepts: "denomination = 'crown' AND year_on_coin >= 1900" },
  ],
};
const definition = must(await client.POST("/v1/definitions", { body: { document } }));
for (const facts of [{ denomination: "crown", year_on_coin: 1882 }, { denomination: "crown" }]) {
  must(await client.POST("/v1/holdings", { body: { facts } }));
}
const evaluation = must(
  await client.GET("/v1/definitions/{id}/evaluation", { params: { path: { id: definition.id } } }),
);
const refused = await client.POST("/v1/holdings", { body: { facts: { denomination: 7 } } });
console.log(
  JSON.stringify({
    title: definition.title,
    statuses: evaluation.slots.map((place) => [place.place, place.status]),
    possible: evaluation.summary.possible,
    conflicts: evaluation.conflicts.map(told),
    refused: refused.error?.errors?.map((fault) => fault.pointer),
  }),
);
