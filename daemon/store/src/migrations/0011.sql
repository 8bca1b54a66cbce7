-- Goes up whenever readings that were there are packed, changed or taken away: within one turn they are
-- only added. By it readers know what they may keep in memory.
INSERT OR IGNORE INTO tally (name, n) VALUES ('turn', 0);
CREATE TRIGGER hour_made AFTER INSERT ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
CREATE TRIGGER hour_changed AFTER UPDATE ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
CREATE TRIGGER hour_gone AFTER DELETE ON hour BEGIN
    UPDATE tally SET n = n + 1 WHERE name = 'turn';
END;
