// The tools along the bottom, as data. A tool has pages (or is one itself); a page has what it shows and
// forms; a form has fields and the command it sends. Fields of kind "length" come to `body` in metres, of
// kind "grade" as a ratio; what `body` returns is the command's JSON. Without `body` it is the values.

import { REFERENCE } from "./reference.js";
import { SENSORS, screenTool } from "./screen.js";
import { TARGET } from "./target.js";
import { BUCKET, LIMITS, POINTS, TRENCH } from "./work.js";

export { screenTool };
export const TOOLS = [REFERENCE, TARGET, BUCKET, POINTS, LIMITS, TRENCH, SENSORS];
