-- The tables of version 1, as that version made them.
CREATE TABLE about (
    version INTEGER NOT NULL
);
CREATE TABLE classes (
    id INTEGER NOT NULL,
    name VARCHAR(80) NOT NULL,
    join_code VARCHAR(12) NOT NULL,
    opened_s FLOAT NOT NULL,
    closed_s FLOAT,
    PRIMARY KEY (id),
    UNIQUE (join_code)
);
CREATE TABLE logins (
    id INTEGER NOT NULL,
    tried_s FLOAT NOT NULL,
    source VARCHAR(80) NOT NULL,
    outcome VARCHAR(12) NOT NULL,
    PRIMARY KEY (id)
);
CREATE INDEX ix_logins_tried_s ON logins (tried_s);
CREATE TABLE passphrases (
    id INTEGER NOT NULL,
    hash TEXT NOT NULL,
    wrong_in_a_row INTEGER NOT NULL,
    closed_until_s FLOAT NOT NULL,
    PRIMARY KEY (id)
);
CREATE TABLE assignments (
    id INTEGER NOT NULL,
    class_id INTEGER NOT NULL,
    exercise VARCHAR(120) NOT NULL,
    file TEXT NOT NULL,
    practice BOOLEAN NOT NULL,
    varied BOOLEAN NOT NULL,
    assigned_s FLOAT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(class_id) REFERENCES classes (id) ON DELETE CASCADE
);
CREATE INDEX ix_assignments_class_id ON assignments (class_id);
CREATE TABLE students (
    id INTEGER NOT NULL,
    class_id INTEGER NOT NULL,
    name VARCHAR(60) NOT NULL,
    key_hash VARCHAR(64) NOT NULL,
    joined_s FLOAT NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (class_id, name),
    FOREIGN KEY(class_id) REFERENCES classes (id) ON DELETE CASCADE,
    UNIQUE (key_hash)
);
CREATE INDEX ix_students_class_id ON students (class_id);
CREATE TABLE attempts (
    id INTEGER NOT NULL,
    student_id INTEGER,
    assignment_id INTEGER,
    file TEXT NOT NULL,
    variant INTEGER NOT NULL,
    practice BOOLEAN NOT NULL,
    begun_s FLOAT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(student_id) REFERENCES students (id) ON DELETE CASCADE,
    FOREIGN KEY(assignment_id) REFERENCES assignments (id) ON DELETE CASCADE
);
CREATE INDEX ix_attempts_assignment_id ON attempts (assignment_id);
CREATE INDEX ix_attempts_student_id ON attempts (student_id);
CREATE TABLE actions (
    attempt_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    action TEXT NOT NULL,
    minutes FLOAT NOT NULL,
    done_s FLOAT NOT NULL,
    taken_back BOOLEAN NOT NULL,
    PRIMARY KEY (attempt_id, number),
    FOREIGN KEY(attempt_id) REFERENCES attempts (id) ON DELETE CASCADE
);
CREATE TABLE hints (
    attempt_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    taken_s FLOAT NOT NULL,
    PRIMARY KEY (attempt_id, number),
    FOREIGN KEY(attempt_id) REFERENCES attempts (id) ON DELETE CASCADE
);
CREATE TABLE notes (
    id INTEGER NOT NULL,
    attempt_id INTEGER NOT NULL,
    note TEXT NOT NULL,
    written_s FLOAT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(attempt_id) REFERENCES attempts (id) ON DELETE CASCADE
);
CREATE INDEX ix_notes_attempt_id ON notes (attempt_id);
CREATE TABLE results (
    attempt_id INTEGER NOT NULL,
    named TEXT NOT NULL,
    evidence TEXT NOT NULL,
    complete BOOLEAN NOT NULL,
    credit FLOAT NOT NULL,
    minutes FLOAT NOT NULL,
    cost FLOAT NOT NULL,
    handed_in_s FLOAT NOT NULL,
    PRIMARY KEY (attempt_id),
    FOREIGN KEY(attempt_id) REFERENCES attempts (id) ON DELETE CASCADE
);
