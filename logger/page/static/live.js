import { follow } from "./stream.js";

follow("events");
