// A program on the generated types: what a door needs, whether it has it, and what a bad request is told.
// Usage: node call.ts URL REQUEST. Writes one JSON object.
import { readFileSync } from "node:fs";
import createClient from "openapi-fetch";
import type { components, paths } from "./schema.ts";

type Request = components["schemas"]["AssessmentRequest"];

const [url, file] = process.argv.slice(2);
if (url === undefined || file === undefined) throw new Error("usage: node call.ts URL REQUEST");
const client = createClient<paths, "application/json" | "application/problem+json">({ baseUrl: url });
const body: Request = JSON.parse(readFileSync(file, "utf8"));

const needs = await client.POST("/v1/needs", { body });
if (needs.data === undefined) throw new Error(needs.error.detail);
const assessment = await client.POST("/v1/assessments", { body });
if (assessment.data === undefined) throw new Error(assessment.error.detail);
const wide: Request = { ...body, door: { ...body.door, opening: { ...body.door.opening, width_m: 99 } } };
const refused = await client.POST("/v1/assessments", { body: wide });
if (refused.error === undefined) throw new Error("a door of 99 m is refused");

// The tag tells the families apart, for the compiler too.
const mats = body.sensors?.map(({ device }) => (device.family === "pressure_mat" ? device.width_m : null));

console.log(
  JSON.stringify({
    zones: needs.data.zones.map((zone) => zone.id),
    verdicts: assessment.data.comparisons.map((each) => [each.zone, each.verdict, each.share]),
    refused: [refused.response.status, ...refused.error.errors.map((item) => [item.pointer, item.allowed ?? ""])],
    mats,
  }),
);
