import { attend } from "./session.js";

attend("tune");
