//! Background, star detection, matching, registration and identification.
